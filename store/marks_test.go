package store

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// markedLines is a file of marks as it grows: pins of the sessions of the numbers given.
func markedLines(t *testing.T, ids ...string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), marksName)
	for _, id := range ids {
		require.NoError(t, addLine(path, markLine{id, Pinned, true}, false))
	}
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	return string(text)
}

// What was written and is not whole is damage; what a power cut tore was never said to be written.
func TestDamagedMarksAreToldFromTornOnes(t *testing.T) {
	a, b, c := markedLines(t, "00001-aaaa"), markedLines(t, "00002-aaaa"), markedLines(t, "00003-aaaa")
	harmed := func(line string) string { return strings.Replace(line, "pinned", "pimned", 1) }
	tidied := func(lines ...string) string {
		return strings.ReplaceAll(strings.Join(lines, ""), "\n\n", "\n")[1:]
	}
	for _, row := range []struct {
		name, text string
		pinned     int
		damaged    []int
	}{
		{"whole", a + b + c, 3, nil},
		{"empty", "", 0, nil},
		{"torn at the end", a + b + c[:20], 2, nil},
		{"torn before its line's end", a + b + c[:len(c)-1], 3, nil},
		{"torn, and another one behind it", a + b[:20] + c, 2, nil},
		{"torn twice, and another one behind it", a + b[:20] + b[:30] + c, 2, nil},
		{"torn behind what was written anew", tidied(a, b) + c[:20] + c, 3, nil},
		{"the first", harmed(a) + b + c, 2, []int{2}},
		{"one between others", a + harmed(b) + c, 2, []int{4}},
		{"the last", a + b + harmed(c), 2, []int{6}},
		{"two", harmed(a) + b + harmed(c), 1, []int{2, 6}},
		{"one that was written anew", tidied(a, harmed(b), c), 2, []int{2}},
		{"nothing but zeros", strings.Repeat("\x00", 4096), 0, []int{1}},
	} {
		t.Run(row.name, func(t *testing.T) {
			dir := t.TempDir()
			require.NoError(t, os.WriteFile(filepath.Join(dir, marksName), []byte(row.text), 0o644))
			m, _, err := readMarks(dir)
			assert.Len(t, m, row.pinned)
			if row.damaged == nil {
				require.NoError(t, err)
				return
			}
			var wrong *MarksError
			require.ErrorAs(t, err, &wrong)
			assert.Equal(t, row.damaged, wrong.Lines)
			assert.ErrorIs(t, CheckMarks(dir), ErrPinned)
		})
	}
}

// What may be pinned is not deleted, neither by a command nor for room, until somebody has put the marks right.
func TestNothingIsDeletedWhileAPinMayBeLost(t *testing.T) {
	for _, row := range []struct {
		name        string
		harm, right func(t *testing.T, marks string)
		says        string
	}{
		{"a damaged line", func(t *testing.T, marks string) {
			text, err := os.ReadFile(marks)
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(marks, []byte(strings.Replace(string(text), "pinned", "pimned", 1)), 0o644))
		}, func(t *testing.T, marks string) {
			text, err := os.ReadFile(marks)
			require.NoError(t, err)
			lines := strings.Split(string(text), "\n")
			require.NoError(t, os.WriteFile(marks, []byte(strings.Join(append(lines[:1:1], lines[2:]...), "\n")), 0o644))
		}, "line 2 of "},
		{"a file that cannot be read", func(t *testing.T, marks string) {
			require.NoError(t, os.Rename(marks, marks+".away"))
			require.NoError(t, os.Mkdir(marks, 0o755))
		}, func(t *testing.T, marks string) { require.NoError(t, os.Remove(marks)) }, "cannot be read"},
	} {
		t.Run(row.name, func(t *testing.T) {
			path, _ := recorded(t, 3)
			dir, id := filepath.Dir(path), IDOf(path)
			s, err := Open(dir, Options{})
			require.NoError(t, err)
			require.NoError(t, s.Mark(id, Pinned, true))
			require.NoError(t, s.Close())
			row.harm(t, filepath.Join(dir, marksName))

			var told []Notice
			s, err = Open(dir, Options{Limit: 1, Told: func(n Notice) { told = append(told, n) }})
			require.NoError(t, err)
			defer func() { require.NoError(t, s.Close()) }()
			require.Len(t, told, 1)
			assert.Equal(t, marksName, told[0].Session)
			assert.Contains(t, told[0].Text, row.says)
			err = s.Remove(id)
			require.ErrorIs(t, err, ErrPinned)
			assert.Contains(t, err.Error(), row.says)
			_, err = s.Begin(Meta{})
			require.ErrorIs(t, err, ErrFull)
			assert.Contains(t, err.Error(), row.says)
			assert.FileExists(t, path)

			row.right(t, filepath.Join(dir, marksName))
			require.NoError(t, s.Remove(id), "the store looks again")
		})
	}
}

func TestMarksErrorsSayTheWayOut(t *testing.T) {
	assert.EqualError(t, &MarksError{Path: "/s/marks", Lines: []int{3}},
		"any session may have been pinned where line 3 of /s/marks is damaged: pin again what is to be kept, then take that line out of the file")
	assert.EqualError(t, &MarksError{Path: "/s/marks", Lines: []int{1, 2, 3, 4, 5, 6, 7}},
		"any session may have been pinned where lines 1, 2, 3, 4, 5 and 2 more of /s/marks are damaged: "+
			"pin again what is to be kept, then take those lines out of the file")
}
