package rig

import (
	"fmt"
	"strings"
)

// config is the configuration text for this car: the adapter at a path, the converter's directory, and where the
// sessions go, unless that is empty.
func config(adapter string, baud int, device, store string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "[adapter]\naddress = %q\nbaud = %d\n\n", adapter, baud)
	fmt.Fprintf(&b, "[[analog]]\nname = \"wideband\"\nkind = \"wideband\"\ndevice = %q\nchannel = %q\ndivider = %g\n", device, Channel, divider)
	fmt.Fprintf(&b, "low = { volts = %g, lambda = %g }\nhigh = { volts = %g, lambda = %g }\n", lowVolts, lowLambda, highVolts, highLambda)
	fmt.Fprintf(&b, "warmup = { volts = %.1f }\nrate = 100\n\n", warmupVolts)
	b.WriteString("[fuel]\nname = \"E10\"\n")
	if store != "" {
		fmt.Fprintf(&b, "\n[store]\npath = %q\n", store)
	}
	return b.String()
}
