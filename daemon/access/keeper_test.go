package access

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// clock is a time that tests move.
type clock struct{ at time.Time }

func (c *clock) now() time.Time { return c.at }

func newClock() *clock { return &clock{time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)} }

func open(t *testing.T, dir string, c *clock) *Keeper {
	t.Helper()
	k, err := Open(dir, Options{Now: c.now})
	require.NoError(t, err)
	return k
}

func newDir(t *testing.T) string { return filepath.Join(t.TempDir(), "access") }

// passes are the IDs and names of a list.
func names(list []Pass) (names []string) {
	for _, p := range list {
		names = append(names, p.Name)
	}
	return names
}

func TestABrowserSignsIn(t *testing.T) {
	dir, c := newDir(t), newClock()
	k := open(t, dir, c)
	assert.True(t, k.Fresh())
	again := open(t, dir, c)
	assert.False(t, again.Fresh())
	assert.Equal(t, k.Code(), again.Code())

	cookie, until, err := k.SignIn(k.Code(), "10.42.0.7:51234", "A browser\x1b[31m 5.0"+strings.Repeat(" x", 100))
	require.NoError(t, err)
	assert.Equal(t, c.at.Add(BrowserLife), until)
	p, ok := again.Check(cookie)
	require.True(t, ok, "in another process too")
	assert.Equal(t, Browser, p.Kind)
	assert.Equal(t, until, p.Until)
	assert.True(t, strings.HasPrefix(p.Name, "A browser[31m 5.0"), p.Name)
	assert.LessOrEqual(t, len(p.Name), maxName)
	assert.Equal(t, []Pass{p}, again.List())

	c.at = until.Add(-time.Second)
	_, ok = k.Check(cookie)
	assert.True(t, ok)
	c.at = until
	_, ok = k.Check(cookie)
	assert.False(t, ok, "its time is over")
	assert.Empty(t, k.List())
}

func TestAProgramGetsAToken(t *testing.T) {
	dir, c := newDir(t), newClock()
	k := open(t, dir, c)
	token, err := k.Grant(k.Code(), "", "  archive on the laptop ")
	require.NoError(t, err)
	c.at = c.at.AddDate(20, 0, 0)
	p, ok := k.Check(token)
	require.True(t, ok)
	assert.Equal(t, Program, p.Kind)
	assert.Equal(t, "archive on the laptop", p.Name)
	assert.Zero(t, p.Until)

	for _, row := range []struct {
		name, given string
		want        error
	}{
		{"none", "", ErrName}, {"blank", " ", ErrName}, {"too long", strings.Repeat("n", maxName+1), ErrName}, {"a control", "a\nb", ErrName},
		{"no UTF-8", "\xff", ErrName},
	} {
		t.Run(row.name, func(t *testing.T) {
			_, err := k.Grant(k.Code(), "", row.given)
			require.ErrorIs(t, err, row.want)
		})
	}
	_, err = k.Grant("0000-0000-0000-0000", "", "")
	require.ErrorIs(t, err, ErrWrong, "the code is looked at first")
}

// Nobody comes in with what is nearly a credential, or what is kept of one.
func TestCheckRefuses(t *testing.T) {
	dir, c := newDir(t), newClock()
	k := open(t, dir, c)
	token, err := k.Grant(k.Code(), "", "p")
	require.NoError(t, err)
	sum := sha256.Sum256([]byte(token))
	for name, credential := range map[string]string{
		"nothing": "", "the code": k.Code(), "cut": token[:len(token)-1], "longer": token + "A", "a blank before": " " + token,
		"other capitals": swapCase(token), "what is kept": hex.EncodeToString(sum[:]), "the pass's ID": k.List()[0].ID, "very long": strings.Repeat("A", 1<<20),
	} {
		_, ok := k.Check(credential)
		assert.False(t, ok, name)
	}
	_, ok := k.Check(token)
	assert.True(t, ok)
	assert.GreaterOrEqual(t, len(token), 43, "256 bits in base 64, RFC 4648")
}

func swapCase(s string) string {
	if up := strings.ToUpper(s); up != s {
		return up
	}
	return strings.ToLower(s)
}

func TestOnlyDigestsOfCredentialsAreKept(t *testing.T) {
	dir, c := newDir(t), newClock()
	k := open(t, dir, c)
	token, err := k.Grant(k.Code(), "", "p")
	require.NoError(t, err)
	cookie, _, err := k.SignIn(k.Code(), "10.42.0.7", "b")
	require.NoError(t, err)
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	all := ""
	for _, e := range entries {
		text, err := os.ReadFile(filepath.Join(dir, e.Name()))
		require.NoError(t, err)
		all += string(text)
	}
	for _, credential := range []string{token, cookie} {
		assert.NotContains(t, all, credential)
		sum := sha256.Sum256([]byte(credential))
		assert.Contains(t, all, hex.EncodeToString(sum[:]))
	}
}

func TestRevocationHoldsInTheOtherProcessAtOnce(t *testing.T) {
	for _, row := range []struct {
		name   string
		revoke func(t *testing.T, k *Keeper)
		left   []string
	}{
		{"one program", func(t *testing.T, k *Keeper) { require.NoError(t, k.Revoke(strings.ToUpper(k.List()[0].ID))) }, []string{"second", "browser"}},
		{"one browser", func(t *testing.T, k *Keeper) { require.NoError(t, k.Revoke(k.List()[2].ID)) }, []string{"first", "second"}},
		{"all", func(t *testing.T, k *Keeper) { require.NoError(t, k.RevokeAll()) }, nil},
		{"a new code", func(t *testing.T, k *Keeper) {
			old := k.Code()
			code, err := k.NewCode()
			require.NoError(t, err)
			assert.NotEqual(t, old, code)
			assert.Equal(t, code, k.Code())
		}, []string{"first", "second"}},
	} {
		t.Run(row.name, func(t *testing.T) {
			dir, c := newDir(t), newClock()
			daemon, command := open(t, dir, c), open(t, dir, c)
			code := daemon.Code()
			credentials := map[string]string{}
			var err error
			for _, name := range []string{"first", "second"} {
				credentials[name], err = daemon.Grant(code, "", name)
				require.NoError(t, err)
			}
			credentials["browser"], _, err = daemon.SignIn(code, "10.42.0.7", "browser")
			require.NoError(t, err)
			for name, credential := range credentials {
				_, ok := daemon.Check(credential)
				require.True(t, ok, name)
			}
			row.revoke(t, command)
			assert.Equal(t, row.left, names(daemon.List()))
			for name, credential := range credentials {
				_, ok := daemon.Check(credential)
				assert.Equal(t, strings.Contains(fmt.Sprint(row.left), name), ok, name)
			}
			if command.Code() != code {
				_, _, err := daemon.SignIn(code, "10.42.0.7", "b")
				require.ErrorIs(t, err, ErrWrong)
			}
		})
	}
	k := open(t, newDir(t), newClock())
	err := k.Revoke("zzzzzzzz")
	require.ErrorIs(t, err, ErrNotFound)
	assert.ErrorContains(t, err, `"zzzzzzzz"`)
}

func TestUsesAreWrittenDownOnceAnHour(t *testing.T) {
	dir, c := newDir(t), newClock()
	k := open(t, dir, c)
	var tokens []string
	for i := range 5 {
		token, err := k.Grant(k.Code(), "", fmt.Sprint("p", i))
		require.NoError(t, err)
		tokens = append(tokens, token)
	}
	began, written := c.at, 0
	file := filepath.Join(dir, stateFile)
	before, err := os.ReadFile(file)
	require.NoError(t, err)
	for range 3 * 3600 / 10 {
		c.at = c.at.Add(10 * time.Second)
		for _, token := range tokens {
			_, ok := k.Check(token)
			require.True(t, ok)
		}
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		if !bytes.Equal(text, before) {
			before, written = text, written+1
		}
	}
	assert.Equal(t, 3*time.Hour, c.at.Sub(began))
	assert.Equal(t, 3, written, "in three hours")
	assert.Equal(t, c.at, k.List()[4].Used)
	other := open(t, dir, c).List()[4].Used
	assert.LessOrEqual(t, c.at.Sub(other), time.Hour, "another process knows it to the hour")

	c.at = c.at.AddDate(-30, 0, 0) // the clock was wrong, and is set
	_, ok := k.Check(tokens[0])
	assert.True(t, ok)
}

// A board without a battery-backed clock: who came in while it stood in the past stays in when it is set.
func TestThePassOfABrowserBeginsWhenTheClockIsSet(t *testing.T) {
	dir, c := newDir(t), &clock{time.Date(2000, 1, 1, 0, 0, 7, 0, time.UTC)}
	k := open(t, dir, c)
	cookie, _, err := k.SignIn(k.Code(), "10.42.0.7", "b")
	require.NoError(t, err)
	c.at = time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	_, ok := k.Check(cookie)
	require.True(t, ok)
	k = open(t, dir, c)
	require.Len(t, k.List(), 1)
	assert.Equal(t, c.at.Add(BrowserLife), k.List()[0].Until)
	c.at = c.at.Add(BrowserLife)
	_, ok = k.Check(cookie)
	assert.False(t, ok)
}

func TestNoMorePassesThanBounds(t *testing.T) {
	dir, c := newDir(t), newClock()
	k := open(t, dir, c)
	var cookies []string
	for range maxBrowsers + 1 {
		c.at = c.at.Add(time.Minute)
		cookie, _, err := k.SignIn(k.Code(), "10.42.0.7", "b")
		require.NoError(t, err)
		cookies = append(cookies, cookie)
		_, ok := k.Check(cookies[0])
		require.Equal(t, len(cookies) <= maxBrowsers+1, ok)
	}
	_, ok := k.Check(cookies[1])
	assert.False(t, ok, "the one not used for longest made room")
	for i := range maxPrograms {
		_, err := k.Grant(k.Code(), "", fmt.Sprint("p", i))
		require.NoError(t, err)
	}
	_, err := k.Grant(k.Code(), "", "one more")
	require.ErrorIs(t, err, ErrFull)
	assert.Len(t, k.List(), maxBrowsers+maxPrograms)
}

func TestDamagedFilesLetNobodyIn(t *testing.T) {
	for _, row := range []struct {
		name   string
		damage func(text []byte) []byte
		says   string
	}{
		{"empty", func([]byte) []byte { return nil }, "no JSON"},
		{"half", func(text []byte) []byte { return text[:len(text)/2] }, "no JSON"},
		{"zeroes", func(text []byte) []byte { return make([]byte, len(text)) }, "no JSON"},
		{"a bit flipped in a digest", func(text []byte) []byte {
			return bytes.Replace(text, []byte(`"sha256":"`), []byte(`"sha256":"f`), 1)
		}, "checksum"},
		{"a code written in by hand", func(text []byte) []byte {
			return bytes.Replace(text, []byte(`"code":"`), []byte(`"code":"0000-0000-0000-0000`), 1)
		}, "checksum"},
		{"another program's JSON", func([]byte) []byte { return []byte("{}") }, "checksum"},
		{"nothing in it", func([]byte) []byte { return sealed(`{}`) }, "access code"},
		{"an empty code", func([]byte) []byte { return sealed(`{"code":"","passes":[]}`) }, "access code"},
		{"a pass of nobody", func([]byte) []byte {
			return sealed(`{"code":"0000-0000-0000-0000","passes":[{"id":"x","kind":"program","sha256":"` + strings.Repeat("0", 64) + `"}]}`)
		}, "a pass"},
		{"a short digest", func([]byte) []byte {
			return sealed(`{"code":"0000-0000-0000-0000","passes":[{"id":"x","kind":"program","sha256":"ab"}]}`)
		}, "SHA-256"},
		{"a later format", func(text []byte) []byte { return bytes.Replace(text, []byte(`"format":1`), []byte(`"format":2`), 1) }, "format 2"},
	} {
		t.Run(row.name, func(t *testing.T) {
			dir, c := newDir(t), newClock()
			var log bytes.Buffer
			k, err := Open(dir, Options{Now: c.now, Log: slog.New(slog.NewTextHandler(&log, nil))})
			require.NoError(t, err)
			code := k.Code()
			token, err := k.Grant(code, "", "p")
			require.NoError(t, err)
			file := filepath.Join(dir, stateFile)
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			log.Reset()
			require.NoError(t, os.WriteFile(file, row.damage(text), 0o600))

			for range 3 {
				_, ok := k.Check(token)
				assert.False(t, ok)
			}
			assert.Empty(t, k.Code())
			assert.Empty(t, k.List())
			for _, given := range []string{code, "", "0000-0000-0000-0000"} {
				_, _, err = k.SignIn(given, "10.42.0.7", "b")
				require.ErrorIs(t, err, ErrDamaged)
			}
			_, err = k.NewCode()
			require.ErrorIs(t, err, ErrDamaged)
			assert.Equal(t, 1, strings.Count(log.String(), "\n"), "it is told once: %s", &log)
			_, err = Open(dir, Options{})
			require.ErrorIs(t, err, ErrDamaged)
			assert.ErrorContains(t, err, file)
			assert.ErrorContains(t, err, row.says)
			assert.ErrorContains(t, err, "remove it")
			assert.NotContains(t, err.Error(), "\n")

			// What the sentence advises helps, without a restart.
			require.NoError(t, os.Remove(file))
			_, ok := k.Check(token)
			assert.False(t, ok)
			assert.NotEmpty(t, k.Code())
			assert.NotEqual(t, code, k.Code())
			_, _, err = k.SignIn(k.Code(), "10.42.0.7", "b")
			require.NoError(t, err)
		})
	}
}

// sealed is a state's file whose checksum is right.
func sealed(access string) []byte {
	return fmt.Appendf(nil, `{"format":1,"crc32c":"%s","access":%s}`, checksum([]byte(access)), access)
}

func TestNobodyElseReadsTheFiles(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("no file modes")
	}
	dir, c := newDir(t), newClock()
	require.NoError(t, os.Mkdir(dir, 0o755)) // as a tree that was copied
	modes := func() map[string]fs.FileMode {
		all := map[string]fs.FileMode{}
		require.NoError(t, filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
			require.NoError(t, err)
			info, err := e.Info()
			require.NoError(t, err)
			all[filepath.Base(path)] = info.Mode().Perm()
			return nil
		}))
		return all
	}
	k := open(t, dir, c)
	_, err := k.Grant(k.Code(), "", "p")
	require.NoError(t, err)
	_, err = Certificate(dir, nil, c.at)
	require.NoError(t, err)
	want := map[string]fs.FileMode{"access": 0o700, stateFile: 0o600, certificateFile: 0o600, lockFile: 0o600}
	assert.Equal(t, want, modes())

	for _, name := range []string{stateFile, certificateFile} {
		require.NoError(t, os.Chmod(filepath.Join(dir, name), 0o644))
	}
	open(t, dir, c)
	_, err = LoadCertificate(dir)
	require.NoError(t, err)
	assert.Equal(t, want, modes())
}

func TestOpenWithoutAStore(t *testing.T) {
	_, err := Open(filepath.Join(t.TempDir(), "missing", "access"), Options{})
	require.ErrorIs(t, err, fs.ErrNotExist)
	assert.ErrorContains(t, err, "missing")
}

func FuzzDecodeState(f *testing.F) {
	good, err := (&state{Code: newCode(), Passes: []kept{{Pass{ID: "x", Kind: Program, Name: "p"}, digest{1}}}}).encode()
	require.NoError(f, err)
	f.Add(good)
	f.Add(sealed(`{}`))
	f.Add([]byte(`null`))
	f.Fuzz(func(t *testing.T, text []byte) {
		s, err := decodeState(text)
		if err != nil {
			return
		}
		require.True(t, validCode(s.Code))
		for _, p := range s.Passes {
			require.NotZero(t, p.SHA256)
		}
	})
}
