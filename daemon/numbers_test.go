package daemon

import (
	"fmt"
	"math"
	"os"
	"strconv"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"underdash/daemon/rig"
)

// numbersMode tells how .ci/numbers runs this test: "full", "quick", or not at all.
func numbersMode(t *testing.T) (quick bool, seed uint64) {
	mode := os.Getenv("UNDERDASH_NUMBERS")
	if mode == "" {
		t.Skip("a measurement, run by .ci/numbers")
	}
	seed, err := seedOf(os.Getenv("UNDERDASH_SEED"))
	if err != nil {
		t.Fatal(err)
	}
	return mode == "quick", seed
}

// seedOf reads a run's seed: 1 where none is given, and an error for what is none, since the run would not be the one that was asked for.
func seedOf(text string) (uint64, error) {
	if text == "" {
		return 1, nil
	}
	seed, err := strconv.ParseUint(text, 10, 64)
	if err != nil {
		return 0, fmt.Errorf("UNDERDASH_SEED=%s is no seed, which is a whole number such as 7: %w", text, err)
	}
	return seed, nil
}

func TestASeedThatIsNone(t *testing.T) {
	for text, want := range map[string]uint64{"": 1, "0": 0, "7": 7, "18446744073709551615": math.MaxUint64} {
		seed, err := seedOf(text)
		require.NoError(t, err, text)
		require.Equal(t, want, seed)
	}
	for _, text := range []string{"abc", "-1", "1.5", " 7", "18446744073709551616"} {
		_, err := seedOf(text)
		require.ErrorContains(t, err, "is no seed", text)
	}
}

// number prints one row of a table of numbers.
func number(name, measured, bound string, ok bool) {
	verdict := "ok"
	if !ok {
		verdict = "short"
	}
	fmt.Printf("number\t%s\t%s\t%s\t%s\n", name, measured, bound, verdict)
}

// TestNumbersDrive measures whole drives in simulated time, over several chains: what was logged against what was
// true.
func TestNumbersDrive(t *testing.T) {
	quick, seed := numbersMode(t)
	drives, length := 8, 20*time.Minute
	if quick {
		drives, length = 2, 3*time.Minute
	}
	worst := map[string]float64{}
	states := []string{"idle", "cruise", "pull"}
	var readings, late, differ, channels, early int
	for i := range drives {
		synctest.Test(t, func(t *testing.T) {
			b := newBubble(t, rig.Demo(length, seed+uint64(i)))
			b.start()
			time.Sleep(length + 5*time.Second)
			infos := b.stop()
			require.Len(t, infos, 1)
			r := b.compare(infos[0].ID)
			for _, s := range r.States {
				worst[s.Name] = max(worst[s.Name], math.Abs(s.Error))
				worst[s.Name+" p95"] = max(worst[s.Name+" p95"], s.P95)
			}
			readings, late, differ = readings+r.OBD.Readings, late+r.OBD.Late, differ+r.OBD.Differ
			channels, early = max(channels, r.OBD.Channels), early+r.EarlyLambda
		})
	}
	for _, s := range states {
		e, seen := worst[s]
		number(fmt.Sprintf("λ error, %s, mean of a drive, worst of %d drives", s, drives), fmt.Sprintf("%.4f", e), "0.0100", seen && e <= 0.01)
		number(fmt.Sprintf("λ error, %s, 95 %% of readings, worst of %d drives", s, drives), fmt.Sprintf("%.4f", worst[s+" p95"]), "0.0100", seen && worst[s+" p95"] <= 0.01)
	}
	share := 1 - float64(late)/float64(max(1, readings))
	number(fmt.Sprintf("OBD instants within their stated bound, of %d", readings), fmt.Sprintf("%.2f %%", 100*share), "100 %", readings > 0 && late == 0)
	number(fmt.Sprintf("OBD readings other than sent, of %d channels", channels), strconv.Itoa(differ), "0", channels > 0 && differ == 0)
	number("λ exported while the controller heated", strconv.Itoa(early), "0", early == 0)
}
