package pid

import (
	"bufio"
	"encoding/hex"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// rows reads a fixture of tab-separated values and returns its rows by column name; testdata/SOURCES.md says where the
// fixtures come from.
func rows(t testing.TB, file string) []map[string]string {
	t.Helper()
	f, err := os.Open("../../testdata/" + file)
	require.NoError(t, err)
	defer f.Close()
	var names []string
	var all []map[string]string
	lines := bufio.NewScanner(f)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		cells := strings.Split(lines.Text(), "\t")
		if names == nil {
			names = cells
			continue
		}
		row := make(map[string]string)
		for i, c := range cells {
			row[names[i]] = c
		}
		all = append(all, row)
	}
	require.NoError(t, lines.Err())
	return all
}

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	require.NoError(t, err, "%q", s)
	return b
}

func hexOf(b []byte) string { return hex.EncodeToString(b) }
