package derive

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"underdash/obd"
	"underdash/obd/pid"
	"underdash/store"
)

// Diagnosis is what the engine computers said of themselves at a drive's start or end.
type Diagnosis struct {
	At, Until time.Duration // when it was read, on the session's clock
	When      string        // store.DriveStart or store.DriveEnd
	Computers []Computer    // those that answered anything, the engine's first, then by address
	Problem   string        // why it was not read, or not to its end; empty if it was
}

// Computer is one engine computer, as it describes itself.
type Computer struct {
	Address      obd.Address // 0 if the adapter did not tell who answered
	Acronym      string      // "ECM"; empty if it did not say, or is not known to be all that Address is
	Name         string      // "EngineControl"; likewise
	VIN          string      // empty if it did not say
	Calibrations []CalibrationID

	Status                     *pid.MonitorStatus // nil if it did not say
	Stored, Pending, Permanent Codes
	Frame                      *FreezeFrame // nil if none was read

	Unreadable []string // answers that could not be read, and why
}

// Who is the computer's address, or says that the adapter did not tell which one it was: then it may be several.
func (c Computer) Who() string {
	if c.Address == 0 {
		return "not told which"
	}
	return c.Address.String()
}

// CalibrationID names one calibration in an engine computer, and has its verification number.
type CalibrationID struct {
	ID  string // empty if the computer told only the number
	CVN string // eight hexadecimal digits; empty if it was not told
}

// Codes are the trouble codes of one kind. An engine computer that was not heard to answer has told nothing: its list is
// not Told, which is not the same as empty.
type Codes struct {
	Told bool
	List []string // "P0143"
}

// FreezeFrame is the state of the engine when a trouble code was stored.
type FreezeFrame struct {
	Code   string // that stored it
	Values []FrozenValue
}

// FrozenValue is one quantity of a freeze frame.
type FrozenValue struct {
	Name, Description, Unit string  // as of a Channel
	Number                  float64 // NaN if State is NotAvailable or UnknownScale
	State                   string  // as of a Value
	Text                    string  // what a state or code means in words
}

// Diagnoses reads what the session's description has of trouble codes, monitors and the engine computers' names.
func Diagnoses(m store.Meta) []Diagnosis {
	told := telling{engine: engineOf(m), contexts: contexts(m.Static), can: strings.Contains(m.Adapter.Protocol, "CAN")}
	var all []Diagnosis
	for _, d := range m.Diagnoses {
		all = append(all, Diagnosis{At: d.At, Until: d.Until, When: d.When, Problem: d.Problem,
			Computers: told.computers(d.Answers, d.Silent)})
	}
	return all
}

// Computers are the engine computers that told who they are at any time of the session: names, VIN, calibrations. Where
// they said different things at different times, the first holds.
func Computers(m store.Meta) []Computer {
	answers := slices.Clone(m.Static)
	for _, d := range m.Diagnoses {
		answers = append(answers, d.Answers...)
	}
	answers = slices.DeleteFunc(answers, func(a store.Static) bool { return obd.Service(a.Service) != obd.VehicleInfo })
	return slices.DeleteFunc(telling{engine: engineOf(m)}.computers(answers, nil), func(c Computer) bool {
		return c.Acronym == "" && c.Name == "" && c.VIN == "" && len(c.Calibrations) == 0
	})
}

// VIN is the vehicle identification number that the car told, the engine's computer first; empty if none did.
func VIN(m store.Meta) string {
	for _, c := range Computers(m) {
		if c.VIN != "" {
			return c.VIN
		}
	}
	return ""
}

func engineOf(m store.Meta) obd.Address {
	all, err := payloads(m.Channels)
	if err != nil {
		return 0
	}
	return engineAddress(all)
}

// telling is what must be known to read what a car's engine computers told.
type telling struct {
	engine   obd.Address
	contexts map[obd.Address]pid.Context
	can      bool // the car's bus is CAN, by the protocol's name
}

// computers sorts answers by who gave them and reads them.
func (t telling) computers(answers []store.Static, silent []store.Question) []Computer {
	by := make(map[obd.Address][]store.Static)
	for _, a := range answers {
		by[obd.Address(a.From)] = append(by[obd.Address(a.From)], a)
	}
	var all []Computer
	for from, said := range by {
		r := reader{Computer: Computer{Address: from}, said: said, context: t.contexts[from], can: pid.OnCAN(from) || from == 0 && t.can}
		r.read()
		r.keptSilent(asked(answers, silent))
		all = append(all, r.Computer)
	}
	slices.SortFunc(all, func(a, b Computer) int {
		return cmp.Or(boolCompare(a.Address != t.engine, b.Address != t.engine), cmp.Compare(a.Address, b.Address))
	})
	return all
}

// reader reads what one engine computer said.
type reader struct {
	Computer
	said    []store.Static
	context pid.Context
	can     bool // it is on CAN
}

func (r *reader) read() {
	r.identity()
	for _, list := range []struct {
		service obd.Service
		codes   *Codes
	}{{obd.StoredCodes, &r.Stored}, {obd.PendingCodes, &r.Pending}, {obd.PermanentCodes, &r.Permanent}} {
		for _, payload := range r.payloads(list.service, 0) {
			codes, err := pid.TroubleCodes(payload, r.can)
			if r.failed(err) {
				continue
			}
			list.codes.Told = true
			list.codes.List = append(list.codes.List, codes...)
		}
	}
	for _, payload := range r.payloads(obd.CurrentData, 0x01) {
		r.failed(pid.Split(payload, func(p obd.PID, data []byte) bool {
			if s, err := pid.ReadMonitors(p, data); err == nil {
				r.Status = &s
			}
			return p != 0x01
		}))
	}
	r.frame()
}

// identity reads what service 09 told.
func (r *reader) identity() {
	type name struct{ acronym, text string }
	n := told(r, pid.InfoName, func(messages ...[]byte) (n name, err error) {
		n.acronym, n.text, err = pid.ComputerName(messages...)
		return n, err
	})
	if r.Address != 0 { // else one computer's name would stand over what others said
		r.Acronym, r.Name = n.acronym, n.text
	}
	r.VIN = told(r, pid.InfoVIN, pid.VIN)
	ids, numbers := told(r, pid.InfoCalibration, pid.CalibrationIDs), told(r, pid.InfoCVN, pid.CVNs)
	for i := range max(len(ids), len(numbers)) {
		var c CalibrationID
		if i < len(ids) {
			c.ID = ids[i]
		}
		if i < len(numbers) {
			c.CVN = numbers[i]
		}
		r.Calibrations = append(r.Calibrations, c)
	}
}

// told reads an InfoType: the first of the answers that can be read, else all of them as the parts of one.
func told[T any](r *reader, info obd.PID, read func(messages ...[]byte) (T, error)) (value T) {
	messages := r.payloads(obd.VehicleInfo, info)
	if len(messages) == 0 {
		return value
	}
	var err error
	for _, m := range messages {
		if value, err = read(m); err == nil {
			return value
		}
	}
	if len(messages) > 1 {
		value, err = read(messages...)
	}
	r.failed(err)
	return value
}

// frame puts the freeze frame together: its code, and every other parameter by its place in the table.
func (r *reader) frame() {
	values := make(map[obd.PID][]FrozenValue)
	var f FreezeFrame
	for _, a := range r.said {
		if obd.Service(a.Service) != obd.FreezeFrame {
			continue
		}
		r.failed(pid.SplitFrozen(a.Payload, func(p obd.PID, frame byte, data []byte) bool {
			if frame != 0 || p%0x20 == 0 {
				return true // a maker's own frame, or a bitmap
			}
			decoded, err := pid.Decode(p, data, r.context, nil)
			if r.failed(err) {
				return true
			}
			if p == 0x02 {
				f.Code = decoded[0].Text
				return true
			}
			values[p] = r.frozen(p, decoded)
			return true
		}))
	}
	if f.Code == "" || f.Code == "none" {
		return
	}
	for _, p := range slices.Sorted(maps.Keys(values)) {
		f.Values = append(f.Values, values[p]...)
	}
	r.Frame = &f
}

func (r *reader) frozen(p obd.PID, decoded []pid.Value) []FrozenValue {
	var list []FrozenValue
	for _, v := range decoded {
		s, _ := r.context.Signal(p, v.Index)
		list = append(list, FrozenValue{Name: s.Acronym, Description: s.Name, Unit: s.Unit,
			Number: v.Number, State: stateText(v.State), Text: v.Text})
	}
	return list
}

// asked are the services that were asked, answered or not.
func asked(answers []store.Static, silent []store.Question) map[obd.Service]bool {
	services := make(map[obd.Service]bool)
	for _, a := range answers {
		services[obd.Service(a.Service)] = true
	}
	for _, q := range silent {
		services[obd.Service(q.Service)] = true
	}
	return services
}

// keptSilent takes in what the computer was asked and did not answer. Before CAN one without codes keeps silent when it
// is asked for them (SAE J1699-3); on CAN silence tells nothing.
func (r *reader) keptSilent(asked map[obd.Service]bool) {
	if r.can {
		return
	}
	for service, codes := range map[obd.Service]*Codes{obd.StoredCodes: &r.Stored, obd.PendingCodes: &r.Pending} {
		unreadable := len(r.payloads(service, 0)) > 0 && !codes.Told
		codes.Told = codes.Told || asked[service] && !unreadable
	}
}

// payloads are the different answers to one question.
func (r *reader) payloads(s obd.Service, p obd.PID) [][]byte {
	var list [][]byte
	for _, a := range r.said {
		known := slices.ContainsFunc(list, func(b []byte) bool { return slices.Equal(a.Payload, b) })
		if obd.Service(a.Service) == s && obd.PID(a.PID) == p && !known {
			list = append(list, a.Payload)
		}
	}
	return list
}

// failed notes an answer that could not be read.
func (r *reader) failed(err error) bool {
	if err == nil {
		return false
	}
	if text := fmt.Sprint(err); !slices.Contains(r.Unreadable, text) {
		r.Unreadable = append(r.Unreadable, text)
	}
	return true
}
