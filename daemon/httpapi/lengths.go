package httpapi

import "sync"

// mostLengths is how many exports' lengths are remembered.
const mostLengths = 512

// lengths remembers how long exports are, which nobody knows before one was written once.
type lengths struct {
	mu    sync.Mutex // guards what follows
	order []string   // tags, the newest last
	known map[string]int64
	turns map[string]*turn // exports that are being counted for a range
}

// turn is one export being counted; who waits for it holds wait.
type turn struct {
	wait  sync.Mutex
	users int
}

func (l *lengths) get(tag string) (int64, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	n, ok := l.known[tag]
	return n, ok
}

func (l *lengths) put(tag string, n int64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if tag == "" {
		return
	}
	if l.known == nil {
		l.known = make(map[string]int64)
	}
	if _, ok := l.known[tag]; !ok {
		l.order = append(l.order, tag)
	}
	l.known[tag] = n
	if len(l.order) > mostLengths {
		delete(l.known, l.order[0])
		l.order = l.order[1:]
	}
}

// find is the length of an export, counted if it is not known, by one caller at a time for each.
func (l *lengths) find(tag string, count func() (int64, error)) (int64, error) {
	if n, ok := l.get(tag); ok {
		return n, nil
	}
	l.mu.Lock()
	if l.turns == nil {
		l.turns = make(map[string]*turn)
	}
	t := l.turns[tag]
	if t == nil {
		t = &turn{}
		l.turns[tag] = t
	}
	t.users++
	l.mu.Unlock()
	defer func() {
		l.mu.Lock()
		defer l.mu.Unlock()
		if t.users--; t.users == 0 {
			delete(l.turns, tag)
		}
	}()
	t.wait.Lock()
	defer t.wait.Unlock()
	if n, ok := l.get(tag); ok {
		return n, nil
	}
	n, err := count()
	if err == nil {
		l.put(tag, n)
	}
	return n, err
}
