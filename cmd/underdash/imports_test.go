package main

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The design's import table: a package may import those of ours that its row names, and no others. A row changes by
// review only, together with the table in DEVELOPERS.md; never to make a build pass. A trailing /... takes in all
// packages below.
const importTable = `
obd:
obd/port:
obd/elm: obd
obd/pid: obd
obd/poll: obd obd/pid
obd/obdtest: obd
analog:
analog/iio: analog
analog/mixture:
analog/analogtest: analog
store: store/block
store/block:
store/derive: store obd obd/pid analog/mixture
store/export: store store/derive
store/plot: store store/derive
store/storetest: store store/block
store/summary: store store/derive
daemon: obd obd/port obd/elm obd/pid obd/poll analog analog/iio analog/mixture store store/... daemon/...
daemon/access:
daemon/config: analog/mixture obd obd/pid
daemon/calibration: analog analog/mixture store store/derive daemon/config
daemon/timebase:
daemon/channel: obd obd/pid analog store daemon/timebase
daemon/session: store daemon/health
daemon/httpapi: store store/derive store/export store/plot store/summary daemon/access daemon/calibration daemon/config daemon/page
daemon/page: store/summary daemon/calibration
daemon/live: store
daemon/pull: store store/summary
daemon/health:
daemon/socket: store
daemon/rig: obd obd/obdtest analog/analogtest
daemon/rig/compare: daemon/rig daemon/timebase store store/derive
cmd/underdash: daemon daemon/... store store/...
`

// Doubles of hardware are for tests and for the virtual car, with the rig itself for the demo.
var doublesAllowedIn = map[string][]string{
	"obd/obdtest":        {"daemon/rig"},
	"analog/analogtest":  {"daemon/rig"},
	"store/storetest":    {},
	"daemon/rig":         {"daemon/rig/compare", "cmd/underdash"},
	"daemon/rig/compare": {"cmd/underdash"},
}

func TestImportTable(t *testing.T) {
	rows := make(map[string][]string)
	for line := range strings.Lines(importTable) {
		if name, allowed, ok := strings.Cut(strings.TrimSpace(line), ":"); ok {
			rows[name] = strings.Fields(allowed)
		}
	}
	root, err := filepath.Abs("../..")
	require.NoError(t, err)
	seen := make(map[string]bool)
	for file, imports := range goFiles(t, root) {
		pkg := path.Dir(file)
		seen[pkg] = true
		allowed, known := rows[pkg]
		if !known {
			t.Errorf("package %s has no row in the import table", pkg)
			continue
		}
		for _, imported := range imports {
			if imported == "testing" && strings.HasSuffix(pkg, "test") && pkg != "store/storetest" {
				t.Errorf("%s imports testing: the virtual car uses it outside tests", file)
			}
			ours, isOurs := strings.CutPrefix(imported, "underdash/")
			if !isOurs {
				continue
			}
			if !slices.ContainsFunc(allowed, func(a string) bool { return covers(a, ours) }) {
				t.Errorf("%s imports %s, which the row of %s does not name", file, ours, pkg)
			}
			if only, double := doublesAllowedIn[ours]; double && !slices.Contains(only, pkg) {
				t.Errorf("%s imports %s outside tests", file, ours)
			}
		}
	}
	for pkg := range rows {
		if !seen[pkg] {
			t.Errorf("the import table has a row for %s, and there is no such package", pkg)
		}
	}
}

func covers(pattern, pkg string) bool {
	if below, tree := strings.CutSuffix(pattern, "/..."); tree {
		return strings.HasPrefix(pkg, below+"/")
	}
	return pattern == pkg
}

// goFiles returns what every Go file that is no test imports, by path below root. It reads the tree itself: a list
// asked of the go command would be kept in the test cache and go stale.
func goFiles(t *testing.T, root string) map[string][]string {
	files := make(map[string][]string)
	err := filepath.WalkDir(root, func(p string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if e.IsDir() {
			if name := e.Name(); p != root && (strings.HasPrefix(name, ".") || name == "testdata") {
				return fs.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(p, ".go") || strings.HasSuffix(p, "_test.go") {
			return nil
		}
		text, err := os.ReadFile(p)
		if err != nil {
			return err
		}
		f, err := parser.ParseFile(token.NewFileSet(), p, text, parser.ImportsOnly)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, p)
		if err != nil {
			return err
		}
		imports := []string{}
		for _, i := range f.Imports {
			name, err := strconv.Unquote(i.Path.Value)
			if err != nil {
				return err
			}
			imports = append(imports, name)
		}
		files[filepath.ToSlash(rel)] = imports
		return nil
	})
	require.NoError(t, err)
	require.NotEmpty(t, files)
	return files
}
