package store

import (
	"errors"
	"fmt"
	"math"

	"underdash/store/block"
)

// Report is what Check or Salvage found in a session's file.
type Report struct {
	ID       string   `json:"id"`
	State    string   `json:"state"`
	Sealed   bool     `json:"sealed"`
	Blocks   uint64   `json:"blocks"`           // whole ones
	Readings uint64   `json:"readings"`         // in them
	Missing  uint64   `json:"missing"`          // readings that are known to have been recorded and are not there any more
	Lost     []Loss   `json:"lost,omitempty"`   // blocks that are not
	Faults   []string `json:"faults,omitempty"` // what else is wrong, a sentence each
	Unsure   bool     `json:"unsure,omitempty"` // readings behind the last one may be lost: it came from a damaged file, and nothing tells its end
	Cost     string   `json:"cost"`             // what all that means for the readings, in a sentence
}

// Sound says whether the file holds all that was recorded, as it was.
func (r Report) Sound() bool { return len(r.Lost) == 0 && len(r.Faults) == 0 && !r.Unsure }

// Check reads a whole session file and compares it with what it says of itself: every page in use, both copies of the
// description, every block's checksum, content and place, what the seal counts, and its digest. It is an error only if
// the file could not be looked at: ErrRecording if a process records into it, ErrVersion if a newer program wrote it.
func Check(path string) (Report, error) {
	a, err := openPatiently(path, math.MaxInt)
	if a == nil {
		return Report{}, fmt.Errorf("check session %s: %w", IDOf(path), err)
	}
	defer func() { _ = a.close() }()
	if err != nil {
		return Report{ID: a.id, State: Damaged, Faults: []string{a.wrong()}, Cost: "no reading can be understood any more; 'store salvage' keeps the raw ones"}, nil
	}
	r := Report{ID: a.id, State: a.info().State, Sealed: a.seal != nil}
	a.sound()
	a.checkCopies()
	sum, err := r.read(a)
	if err != nil {
		return Report{}, fmt.Errorf("check session %s: %w", IDOf(path), err)
	}
	for _, fault := range a.faults {
		r.fault(fault.Error())
	}
	if a.tree != nil && a.tree.torn {
		r.fault("one of its two first pages is damaged; the other one does")
	}
	if a.seal != nil && sum != a.seal.SHA256 {
		r.fault("its content is not what was sealed: the digests differ")
	}
	switch { // a seal does not count what was lost before it
	case a.meta.End != nil:
		r.Missing = a.meta.End.Samples - min(a.meta.End.Samples, r.Readings)
	case a.seal != nil:
		r.Missing = a.seal.Samples - min(a.seal.Samples, r.Readings)
	}
	r.Unsure = a.meta.End == nil && a.seal != nil && a.seal.Salvaged != ""
	r.Cost = r.cost(a)
	return r, nil
}

// fault notes what is wrong, once.
func (r *Report) fault(text string) {
	for _, f := range r.Faults {
		if f == text {
			return
		}
	}
	r.Faults = append(r.Faults, text)
}

// read goes through all blocks and returns their digest.
func (r *Report) read(a *atRest) (sum string, err error) {
	d := newDigest(a.text)
	var samples []Sample
	if a.seal != nil {
		r.Lost = append(r.Lost, a.seal.Lost...)
	}
	for p, err := range a.pieces().all() {
		if err != nil {
			return "", err
		}
		if p.lost != nil {
			if l := lossOf(p.lost); !a.knownLoss(l) {
				r.Lost = append(r.Lost, l)
			}
			continue
		}
		h := p.header
		_, samples, err = block.Decode(p.raw, samples[:0])
		if err == nil && len(samples) != h.Count {
			err = errors.New("it has not as many readings as it says")
		}
		if err != nil {
			r.Lost = append(r.Lost, Loss{First: h.Sequence, Last: h.Sequence, After: h.First, Before: h.Last, Why: err.Error()})
			continue
		}
		d.add(p.raw)
		r.Blocks++
		r.Readings += uint64(len(samples))
	}
	return d.String(), nil
}

// knownLoss says whether a range of blocks was lost before the session was sealed already.
func (a *atRest) knownLoss(l Loss) bool {
	if a.seal == nil {
		return false
	}
	for _, known := range a.seal.Lost {
		if known.First <= l.First && l.Last <= known.Last {
			return true
		}
	}
	return false
}

// checkCopies looks at all copies of the description; files of earlier versions have none at their beginning.
func (a *atRest) checkCopies() {
	if a.tree == nil || a.meta.Format < 2 {
		return
	}
	text, seal, meta := a.text, a.seal, a.meta
	buckets := []string{string(metaBucket), string(copyBucket)}
	w := a.tree.walk(func(error) {}) // what is wrong with the pages was told
	w.bucketsIf(func(name string) bool {
		if name == string(earlyBucket) {
			buckets = append(buckets, name)
		}
		return false
	}, func(string, element) {})
	for _, bucket := range buckets {
		if err := a.describeFrom(bucket); err != nil {
			a.fault(fmt.Errorf("one of the copies of its description: %w", err))
		}
	}
	a.text, a.seal, a.meta = text, seal, meta
}

func (r *Report) cost(a *atRest) string {
	openEnd := r.Unsure || len(r.Faults) > 0 && a.seal == nil && a.meta.End == nil
	text := "nothing"
	switch {
	case r.Missing > 0 && a.meta.End == nil && len(a.seal.Lost) > 0: // how many those were is not known
		text = fmt.Sprintf("at least %d readings are lost", r.Missing)
	case r.Missing > 0:
		text = fmt.Sprintf("%d of %d readings are lost", r.Missing, r.Missing+r.Readings)
	case len(r.Lost) > 0:
		text = "the readings of those blocks are lost"
	case r.Unsure:
		return "it was salvaged from a damaged file: " + afterText(a.info().Length)
	case openEnd:
		return afterText(a.info().Length)
	case len(r.Faults) > 0:
		text = "no reading is lost"
	}
	if openEnd {
		text += ", and " + afterText(a.info().Length)
	}
	return text
}

// Salvage reads what can be read of a damaged session file, block by block, wherever in the file one is found, and
// writes it to another one, sealed, which must not exist. The description may be lost: then the readings are kept with
// channels that have no meaning. The error wraps ErrDamaged if nothing could be read.
func Salvage(path, to string) (Report, error) {
	if err := notThere(to); err != nil {
		return Report{}, fmt.Errorf("salvage session %s: %w", IDOf(path), err)
	}
	a, err := openPatiently(path, math.MaxInt)
	if a == nil {
		return Report{}, fmt.Errorf("salvage session %s: %w", IDOf(path), err)
	}
	defer func() { _ = a.close() }()
	a.sound()
	text, pieces, err := a.salvage()
	if errors.Is(err, errEmptied) {
		err = fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	if err == nil {
		_, err = writeSealed(to, text, pieces, a.wrong)
	}
	if err != nil {
		return Report{}, fmt.Errorf("salvage session %s: %w", IDOf(path), err)
	}
	r, err := Check(to)
	for _, fault := range a.faults {
		r.fault(fault.Error())
	}
	return r, err
}
