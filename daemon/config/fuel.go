package config

import "underdash/analog/mixture"

func readFuel(t *table, f Fuel) Fuel {
	f.Name = t.text("name", f.Name)
	f.Stoichiometric = t.number("stoichiometric", mixture.MinAFRst, mixture.MaxAFRst, 0)
	f.Composition = readComposition(t)
	f.Flex = t.boolean("flex", f.Flex)
	if t.has("stoichiometric") && t.has("composition") {
		t.fault("composition", "the ratio follows from the composition: leave one of stoichiometric and composition out")
	}
	given := t.has("stoichiometric") || t.has("composition")
	if _, err := mixture.FuelByName(f.Name); err != nil && !given && t.ok("name") {
		t.fault("name", "%v; for another one give its stoichiometric ratio too, as stoichiometric = 14.7, or what it is made of, as composition = { c = 8, h = 18 }", err)
	}
	t.finish()
	return f
}

func readComposition(t *table) Composition {
	const most = 1000 // atoms
	sub := t.table("composition")
	c := Composition{
		Carbon:   sub.number("c", 0, most, 0),
		Hydrogen: sub.number("h", 0, most, 0),
		Oxygen:   sub.number("o", 0, most, 0),
	}
	if sub.present && !sub.has("c") && !sub.has("h") {
		sub.require("c", "8")
		sub.require("h", "18")
	} else if sub.present && len(sub.refused) == 0 {
		if _, err := mixture.Composed("", c.Carbon, c.Hydrogen, c.Oxygen); err != nil {
			t.fault("composition", "%v", err)
		}
	}
	sub.finish()
	return c
}
