package export

import (
	"fmt"
	"strings"

	"underdash/store"
	"underdash/store/derive"
)

// condition says in words who the car's engine computers are and which trouble codes they told, a line each.
func condition(m store.Meta) []string {
	var lines []string
	for _, c := range derive.Computers(m) {
		text := "engine computer " + strings.Join(strings.Fields(fmt.Sprintf("%s %s %s", c.Who(), c.Acronym, c.Name)), " ")
		if c.VIN != "" {
			text += ", VIN " + c.VIN
		}
		for _, k := range c.Calibrations {
			text += ", calibration " + strings.TrimSpace(k.ID+" "+verified(k.CVN))
		}
		lines = append(lines, text)
	}
	for _, d := range derive.Diagnoses(m) {
		text := fmt.Sprintf("trouble codes at the drive's %s", d.When)
		if d.Problem != "" {
			lines = append(lines, text+": not read, or not to the end: "+d.Problem)
		}
		for _, c := range d.Computers {
			told := strings.Join(append(append(codes("stored", c.Stored), codes("pending", c.Pending)...), codes("permanent", c.Permanent)...), ", ")
			if told == "" {
				continue
			}
			lines = append(lines, fmt.Sprintf("%s, engine computer %s: %s", text, c.Who(), told))
		}
	}
	return lines
}

func verified(cvn string) string {
	if cvn == "" {
		return ""
	}
	return "(verification number " + cvn + ")"
}

func codes(kind string, c derive.Codes) []string {
	switch {
	case !c.Told:
		return nil
	case len(c.List) == 0:
		return []string{"none " + kind}
	}
	return []string{kind + " " + strings.Join(c.List, " ")}
}
