package storetest

import (
	"fmt"
	"os"
	"strconv"
	"testing"
)

// Numbers tells how .ci/numbers runs a measurement: in full or quickly, and from which seed. The test is skipped when
// it is run by anything else.
func Numbers(t testing.TB) (quick bool, seed uint64) {
	t.Helper()
	mode := os.Getenv("UNDERDASH_NUMBERS")
	if mode == "" {
		t.Skip("a measurement, run by .ci/numbers")
	}
	seed, err := strconv.ParseUint(os.Getenv("UNDERDASH_SEED"), 10, 64)
	if err != nil {
		seed = 1
	}
	return mode == "quick", seed
}

// Number prints one row of the table that .ci/numbers makes.
func Number(name, measured, bound string, ok bool) {
	verdict := "ok"
	if !ok {
		verdict = "short"
	}
	fmt.Printf("number\t%s\t%s\t%s\t%s\n", name, measured, bound, verdict)
}
