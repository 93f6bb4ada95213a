package config

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestFuel(t *testing.T) {
	const adapter = "adapter.address = \"/dev/ttyUSB0\"\n"
	for _, row := range []struct {
		name, text string
		want       Fuel
		afrst      float64
		source     string
	}{
		{"by default", "", Fuel{Name: "E10"}, 14.10, "derived"},
		{"composed", `fuel = { name = "mine", composition = { c = 8, h = 18 } }`, Fuel{Name: "mine", Composition: Composition{8, 18, 0}}, 15.13, "Heywood, table D.4 (from memory)"},
		{"composed, under a name that is known", `fuel = { name = "ethanol", composition = { c = 2, h = 6, o = 1 } }`,
			Fuel{Name: "ethanol", Composition: Composition{2, 6, 1}}, 9.00, "Heywood, table D.4 (from memory)"},
		{"whatever is in the tank", "fuel.flex = true", Fuel{Name: "E10", Flex: true}, 14.10, "derived"},
		{"flexible, and petrol until it is told", "fuel = { name = \"petrol\", flex = true }", Fuel{Name: "petrol", Flex: true}, 14.7, "US DOE AFDC fuel property table"},
	} {
		t.Run(row.name, func(t *testing.T) {
			c, err := Parse("x.toml", []byte(adapter+row.text))
			require.NoError(t, err)
			assert.Equal(t, row.want, c.Fuel)
			fuel, err := c.Fuel.Mixture()
			require.NoError(t, err)
			assert.InDelta(t, row.afrst, fuel.AFRst, 0.005, row.source)
		})
	}
	for _, row := range []struct{ name, text, says string }{
		{"burns nothing", "fuel.composition = { c = 1, o = 2 }", "fuel.composition: C1H0O2 is no fuel that burns in air"},
		{"nothing in it", "fuel.composition = {}", "fuel.composition.c: this is missing: give it like c = 8"},
		{"fewer than none", "fuel.composition = { c = -1, h = 4 }", "fuel.composition.c: -1 is out of range: give 0 to 1000"},
		{"a formula", `fuel.composition = "C8H18"`, "write composition = { c = 8, h = 18, o = 0 }"},
		{"nitrogen too", "fuel.composition = { c = 1, h = 3, n = 1 }", "fuel.composition.n: there is no such key: known here are c, h, o"},
		{"twice", "fuel = { stoichiometric = 14, composition = { c = 1, h = 2 } }", "leave one of stoichiometric and composition out"},
		{"no name for it", `fuel.name = "kerosene"`, "or what it is made of, as composition = { c = 8, h = 18 }"},
		{"flex as a word", `fuel.flex = "yes"`, "fuel.flex: true or false is wanted, without quotes"},
	} {
		t.Run(row.name, func(t *testing.T) {
			_, err := Parse("x.toml", []byte(adapter+row.text))
			assert.ErrorContains(t, err, row.says)
		})
	}
}
