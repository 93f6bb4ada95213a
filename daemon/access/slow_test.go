package access

import (
	"bytes"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const wrongCode = "0000-0000-0000-0000"

// signIn tells how long an address has to wait; 0: a code was looked at.
func signIn(t *testing.T, k *Keeper, code, from string) (wait time.Duration, in bool) {
	t.Helper()
	_, _, err := k.SignIn(code, from, "b")
	var slow SlowError
	switch {
	case err == nil:
		return 0, true
	case errors.As(err, &slow):
		require.Positive(t, slow.Wait)
		return slow.Wait, false
	}
	require.ErrorIs(t, err, ErrWrong)
	return 0, false
}

func TestWrongCodesOfAnAddressAreSlowedDown(t *testing.T) {
	c := newClock()
	k := open(t, newDir(t), c)
	const from = "10.42.0.66:40000"
	for _, row := range []struct {
		name, code, from string
		after            time.Duration
		wait             time.Duration
		in               bool
	}{
		{name: "a first wrong one", code: wrongCode, from: from},
		{name: "a second", code: wrongCode, from: from},
		{name: "the right one at last", code: k.Code(), from: from, in: true},
		{name: "forgiven: a first", code: wrongCode, from: from},
		{name: "a second again", code: wrongCode, from: from},
		{name: "a third", code: wrongCode, from: from},
		{name: "a fourth", code: wrongCode, from: from},
		{name: "now it waits, with the right one too", code: k.Code(), from: from, wait: time.Second},
		{name: "and from another port", code: k.Code(), from: "10.42.0.66:50000", wait: time.Second},
		{name: "another address does not", code: k.Code(), from: "10.42.0.7:40000", in: true},
		{name: "waited: a fifth", after: time.Second, code: wrongCode, from: from},
		{name: "it waits twice as long", code: wrongCode, from: from, wait: 2 * time.Second},
		{name: "what was held up did not count", after: time.Second, code: wrongCode, from: from, wait: time.Second},
		{name: "waited: the right one", after: time.Second, code: k.Code(), from: from, in: true},
	} {
		c.at = c.at.Add(row.after)
		wait, in := signIn(t, k, row.code, row.from)
		require.Equal(t, row.wait, wait, row.name)
		require.Equal(t, row.in, in, row.name)
	}
}

func TestWaitsGrow(t *testing.T) {
	now := newClock().at
	var g gate
	for i, want := range []time.Duration{0, 0, 0, 1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 900, 900, 900} {
		g.count(perAddress, now)
		require.Equal(t, want*time.Second, max(g.wait(perAddress, now), 0), "%d wrong codes", i+1)
	}
	for range 1000 {
		g.count(perAddress, now)
		require.Equal(t, perAddress.most, g.wait(perAddress, now))
	}
	assert.Equal(t, perAddress.most, g.wait(perAddress, now.AddDate(-20, 0, 0)), "a clock that is set back makes nobody wait longer")
	assert.Equal(t, 22, g.left(perAddress, now.Add(15*time.Minute)))
	assert.Zero(t, g.left(perAddress, now.Add(6*time.Hour)), "forgotten the same day")
	assert.Equal(t, "too many wrong codes: try again in 1s", SlowError{time.Millisecond}.Error())
	assert.Equal(t, "too many wrong codes: try again in 15m0s", SlowError{perAddress.most}.Error())
}

// Somebody with very many addresses is slowed down too, keeps no owner out for long, and fills no memory.
func TestWrongCodesInAllAreSlowedDown(t *testing.T) {
	c := newClock()
	var log bytes.Buffer
	k, err := Open(newDir(t), Options{Now: c.now, Log: slog.New(slog.NewTextHandler(&log, nil))})
	require.NoError(t, err)
	const owner = "10.42.0.7"
	_, in := signIn(t, k, k.Code(), owner)
	require.True(t, in)
	log.Reset()
	looked := 0
	const attempts = 5_000
	for i := range attempts { // in 1,000 s
		wait, in := signIn(t, k, wrongCode, fmt.Sprintf("[2001:db8:%x:%x::1]:443", i>>8, i&0xff)) // RFC 3849's addresses
		require.False(t, in)
		require.LessOrEqual(t, wait, inAll.most)
		if wait == 0 {
			looked++
		}
		c.at = c.at.Add(200 * time.Millisecond)
		require.LessOrEqual(t, len(k.slow.addresses), maxAddresses)
	}
	assert.Less(t, looked, 200, "of %d", attempts)
	assert.LessOrEqual(t, strings.Count(log.String(), "\n"), 18, "the log is told once a minute")
	assert.Contains(t, log.String(), "count=")

	_, in = signIn(t, k, k.Code(), owner)
	assert.True(t, in, "who came in before is not held up by others")
	c.at = c.at.Add(inAll.most)
	_, in = signIn(t, k, k.Code(), "10.42.0.8")
	assert.True(t, in, "who did not waits for seconds, no more")
	for i := range 2 * maxKnown {
		c.at = c.at.Add(time.Minute)
		_, in = signIn(t, k, k.Code(), fmt.Sprintf("10.42.1.%d", i))
		require.True(t, in)
	}
	assert.Len(t, k.slow.known, maxKnown)
}

func TestManyAtOnceAreNoWayAroundTheWaits(t *testing.T) {
	c := newClock()
	k := open(t, newDir(t), c)
	var looked atomic.Int32
	var all sync.WaitGroup
	for range 200 {
		all.Go(func() {
			if _, _, err := k.SignIn(wrongCode, "10.42.0.66", "b"); errors.Is(err, ErrWrong) {
				looked.Add(1)
			}
		})
	}
	all.Wait()
	assert.Equal(t, int32(perAddress.free+1), looked.Load())
}

func TestTheTableOfAddressesIsBounded(t *testing.T) {
	var g gates
	now := newClock().at
	for i := range 3 * maxAddresses {
		g.all = gate{} // only the table is looked at
		require.ErrorIs(t, g.try(fmt.Sprintf("10.%d.%d.1", i>>8, i&0xff), now.Add(time.Duration(i)*time.Millisecond), func() bool { return false }), ErrWrong)
		require.LessOrEqual(t, len(g.addresses), maxAddresses)
	}
	assert.Contains(t, g.addresses, fmt.Sprintf("10.%d.%d.1", (3*maxAddresses-1)>>8, (3*maxAddresses-1)&0xff))
	require.ErrorIs(t, g.try("10.42.0.1", now.Add(time.Hour), func() bool { return false }), ErrWrong)
	assert.Len(t, g.addresses, 1, "what is forgotten makes room first")
}

func TestAddressKey(t *testing.T) {
	for _, row := range []struct{ name, from, want string }{
		{"with a port", "192.168.0.9:1234", "192.168.0.9"},
		{"without", "192.168.0.9", "192.168.0.9"},
		{"IPv4 in IPv6", "[::ffff:192.168.0.9]:1234", "192.168.0.9"},
		{"IPv6 is its network", "[2001:db8:1:2:3:4:5:6]:1234", "2001:db8:1:2::/64"},
		{"another of the same network", "2001:db8:1:2::1", "2001:db8:1:2::/64"},
		{"link-local with its zone", "[fe80::1%wlan0]:1234", "fe80::1"},
		{"a site's own", "[fd00:1:2:3::4]:99", "fd00:1:2:3::4"},
		{"a Unix socket", "@", "other"},
		{"none", "", "other"},
		{"very long", strings.Repeat("x", 1<<16), "other"},
	} {
		t.Run(row.name, func(t *testing.T) { assert.Equal(t, row.want, addressKey(row.from)) })
	}
}
