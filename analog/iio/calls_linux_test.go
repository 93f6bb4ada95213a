package iio

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const readsEnv = "UNDERDASH_TEST_READS"

// TestReads is what runs below strace: so many reads of a channel, and nothing else.
func TestReads(t *testing.T) {
	n, err := strconv.Atoi(os.Getenv(readsEnv))
	if err != nil {
		t.Skip("run by TestAReadCostsOneSystemCall")
	}
	c, err := Open(tree(t, map[string]string{"in_voltage0_raw": "1234\n", "in_voltage_scale": "1"}), "voltage0", Options{})
	require.NoError(t, err)
	for range n {
		_, err := c.Read()
		require.NoError(t, err)
	}
	require.NoError(t, c.Close())
}

// Counted by strace: of all system calls that look for, look at or read files, a read costs one. Others are a few, since once a second
// the path is looked at again.
func TestAReadCostsOneSystemCall(t *testing.T) {
	strace, err := exec.LookPath("strace")
	if err != nil && os.Getenv("UNDERDASH_NO_SKIP") == "" {
		t.Skip("strace is not installed here, so system calls are not counted")
	}
	require.NoError(t, err)
	calls := func(reads int) (preads, others int) {
		log := filepath.Join(t.TempDir(), "calls")
		cmd := exec.CommandContext(t.Context(), strace, "-f", "-qq", "-e", "trace=%file,read,pread64,readv,preadv,lseek,fstat", "-o", log, os.Args[0], "-test.run=^TestReads$")
		// The runtime would look at the processors' quota now and then, by the same system call.
		cmd.Env = append(os.Environ(), fmt.Sprintf("%s=%d", readsEnv, reads), "GODEBUG=updatemaxprocs=0,containermaxprocs=0")
		out, err := cmd.CombinedOutput()
		if bytes.Contains(out, []byte("Operation not permitted")) {
			t.Skipf("strace cannot work here: %s", out)
		}
		require.NoError(t, err, "%s", out)
		text, err := os.ReadFile(log)
		require.NoError(t, err)
		preads = bytes.Count(text, []byte("pread64("))
		return preads, bytes.Count(text, []byte("\n")) - preads
	}
	const reads = 2000
	preads, others := calls(reads)
	twice, more := calls(2 * reads)
	assert.Equal(t, reads, twice-preads)
	assert.Less(t, more-others, reads/10)
}
