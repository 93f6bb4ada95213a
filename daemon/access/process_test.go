package access

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// helperDir makes the test binary a second process that changes a directory's passes, see TestTwoProcesses.
const helperDir = "UNDERDASH_TEST_ACCESS_DIR"

// rounds is how often each process changes the files.
const rounds = 40

func TestMain(m *testing.M) {
	if dir := os.Getenv(helperDir); dir != "" {
		if err := changes(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// patiently does again what did not have its turn among the others: three who change the files without a pause may starve one on
// a busy machine, who is told so and has changed nothing.
func patiently(f func() error) (err error) {
	for range 20 {
		if err = f(); !errors.Is(err, errLocked) {
			break
		}
	}
	return err
}

// changes grants and revokes by turns, and leaves a token at the end, whose text it prints.
func changes(dir string) error {
	var k *Keeper
	err := patiently(func() (err error) {
		k, err = Open(dir, Options{})
		return err
	})
	if err != nil {
		return err
	}
	name := fmt.Sprint("process ", os.Getpid())
	for i := range rounds {
		var token string
		err := patiently(func() (err error) {
			token, err = k.Grant(k.Code(), "", fmt.Sprint(name, " ", i))
			return err
		})
		if err != nil {
			return err
		}
		p, ok := k.Check(token)
		if !ok {
			return fmt.Errorf("round %d: a token that was just granted lets nobody in", i)
		}
		if i == rounds-1 {
			fmt.Println(token)
			return nil
		}
		if err := patiently(func() error { return k.Revoke(p.ID) }); err != nil {
			return err
		}
		if _, ok := k.Check(token); ok {
			return fmt.Errorf("round %d: a token that was just revoked lets somebody in", i)
		}
	}
	return nil
}

// Two processes and this one change the same files: no change is lost, and nobody ever sees half a file. The directory is made by
// whichever comes first.
func TestTwoProcesses(t *testing.T) {
	self, err := os.Executable()
	require.NoError(t, err)
	dir := newDir(t)
	var out, faults [2]bytes.Buffer
	var processes [2]*exec.Cmd
	for i := range processes {
		p := exec.CommandContext(t.Context(), self)
		if via := os.Getenv("UNDERDASH_TEST_EXEC"); via != "" {
			p = exec.CommandContext(t.Context(), via, self)
		}
		p.Env = append(os.Environ(), helperDir+"="+dir)
		p.Stdout, p.Stderr = &out[i], &faults[i]
		require.NoError(t, p.Start())
		processes[i] = p
	}
	ours := changes(dir)
	for i, p := range processes {
		require.NoError(t, p.Wait(), "%s", &faults[i])
	}
	require.NoError(t, ours)

	k, err := Open(dir, Options{})
	require.NoError(t, err)
	assert.Len(t, k.List(), 3)
	for i := range out {
		p, ok := k.Check(strings.TrimSpace(out[i].String()))
		require.True(t, ok)
		assert.Contains(t, p.Name, fmt.Sprintf("process %d ", processes[i].Process.Pid))
	}
	left, err := filepath.Glob(filepath.Join(dir, "*.new"))
	require.NoError(t, err)
	assert.Empty(t, left)
}

// A program that hangs with the lock does not hang the daemon, and does not keep anybody out who is in.
func TestALockThatIsNotGivenBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := newDir(t)
		k, err := Open(dir, Options{})
		require.NoError(t, err)
		token, err := k.Grant(k.Code(), "", "p")
		require.NoError(t, err)
		hung, err := openLock(dir)
		require.NoError(t, err)
		taken, err := lock(hung)
		require.NoError(t, err)
		require.True(t, taken)

		began := time.Now()
		err = k.RevokeAll()
		require.ErrorIs(t, err, errLocked)
		assert.ErrorContains(t, err, "another program")
		assert.Equal(t, lockWait, time.Since(began))
		time.Sleep(2 * usedEvery) // now the use of a pass is to be written down
		began = time.Now()
		_, ok := k.Check(token)
		assert.True(t, ok)
		assert.Zero(t, time.Since(began))

		require.NoError(t, hung.Close())
		require.NoError(t, k.RevokeAll())
		_, ok = k.Check(token)
		assert.False(t, ok)
	})
}

// What a power cut left of a write is in nobody's way.
func TestWhatAPowerCutLeft(t *testing.T) {
	dir, c := newDir(t), newClock()
	k := open(t, dir, c)
	require.NoError(t, os.WriteFile(filepath.Join(dir, stateFile+".new"), []byte("half"), 0o600))
	token, err := k.Grant(k.Code(), "", "p")
	require.NoError(t, err)
	_, ok := open(t, dir, c).Check(token)
	assert.True(t, ok)
}
