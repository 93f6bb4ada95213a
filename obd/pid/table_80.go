package pid

// lastParameters are the parameters from 80 on. Formulas and acronyms: the compliance test SAE J1699-3, except that it
// reads the wrong bytes for sensors 3 and 4 of 83 and narrows the first byte of A6.
var lastParameters = []Parameter{
	{0x80, "Parameters supported, 81 to A0", 4, []Signal{
		{"PIDS_80", "Parameters supported, 81 to A0", "", 0, 4294967295, as(supportedText, long(0, 1, 1, 0))},
	}},
	{0x83, "NOx sensor concentrations", 9, []Signal{
		{"NOX11", "NOx concentration B1S1", "ppm", 0, 65535, when(0, as(concentration, word(1, 1, 1, 0)))},
		{"NOX12", "NOx concentration B1S2", "ppm", 0, 65535, when(1, as(concentration, word(3, 1, 1, 0)))},
		{"NOX21", "NOx concentration B2S1", "ppm", 0, 65535, when(2, as(concentration, word(5, 1, 1, 0)))},
		{"NOX22", "NOx concentration B2S2", "ppm", 0, 65535, when(3, as(concentration, word(7, 1, 1, 0)))},
	}},
	{0x84, "Manifold surface temperature", 1, []Signal{
		{"MST", "Manifold surface temperature", "°C", -40, 215, octet(0, 1, 1, -40)},
	}},
	{0x87, "Intake manifold absolute pressures A, B (wide range)", 5, []Signal{
		{"MAP_A", "Intake manifold absolute pressure A (wide)", "kPa", 0, 2047.96875, when(0, word(1, 1, 32, 0))},
		{"MAP_B", "Intake manifold absolute pressure B (wide)", "kPa", 0, 2047.96875, when(1, word(3, 1, 32, 0))},
	}},
	{0x8C, "Wide-range oxygen sensors: concentration and λ", 17, laterSensors(1, 2)},
	{0x8E, "Engine friction percent torque", 1, []Signal{
		{"TQ_FR", "Engine friction percent torque", "%", -125, 130, octet(0, 1, 1, -125)},
	}},
	{0x9C, "Wide-range oxygen sensors 3 and 4: concentration and λ", 17, laterSensors(3, 4)},
	{0x9D, "Fuel rates (mass)", 4, []Signal{
		{"FUEL_RATE", "Engine fuel rate (mass)", "g/s", 0, 1310.7, word(0, 1, 50, 0)},
		{"VFUEL_RATE", "Vehicle fuel rate (mass)", "g/s", 0, 1310.7, word(2, 1, 50, 0)},
	}},
	{0x9E, "Engine exhaust flow rate", 2, []Signal{
		{"EXH_RATE", "Engine exhaust flow rate", "kg/h", 0, 13107, word(0, 1, 5, 0)},
	}},
	{0xA0, "Parameters supported, A1 to C0", 4, []Signal{
		{"PIDS_A0", "Parameters supported, A1 to C0", "", 0, 4294967295, as(supportedText, long(0, 1, 1, 0))},
	}},
	{0xA2, "Cylinder fuel rate", 2, []Signal{
		{"CYL_RATE", "Cylinder fuel rate", "mg/stroke", 0, 2047.96875, word(0, 1, 32, 0)},
	}},
	{0xA4, "Transmission gear", 4, []Signal{
		{"GEAR_ACT", "Transmission actual gear", "1", 0, 15, when(0, bits(1, 4, 4))},
		{"GEAR_RAT", "Transmission gear ratio", "1", 0, 65.535, when(1, word(2, 1, 1000, 0))},
	}},
	{0xA6, "Odometer", 4, []Signal{
		{"ODO", "Odometer", "km", 0, 429496729.5, long(0, 1, 10, 0)},
	}},
}

// laterSensors are the signals of 8C and 9C: two sensors of each of two banks, first their concentrations, then their λ.
// No full scale of 4F applies to them.
func laterSensors(first, second byte) []Signal {
	var concentrations, lambdas []Signal
	for i, s := range []sensor{{1, first}, {1, second}, {2, first}, {2, second}} {
		concentrations = append(concentrations, Signal{"O2S" + s.digits() + "_PCT", "Wide range oxygen concentration " + s.String(),
			"%", 0, 100, when(i, word(1+2*i, 1526, 1e6, 0))})
		lambdas = append(lambdas, Signal{"LAMBDA" + s.digits(), "Wide range λ " + s.String(),
			"1", 0, 7.99527, when(i+4, as(fixedLambda, word(9+2*i, 122, 1e6, 0)))})
	}
	return append(concentrations, lambdas...)
}
