package pid

// laterParameters are the parameters from 60 on. Most begin with a status byte: a bit of A says whether a pair of bytes
// after it holds data or filler, and filler is never a value. Formulas: the compliance test SAE J1699-3, except that
// it reads the wrong bytes for sensors 3 and 4 of 83 and narrows the first byte of A6.
var laterParameters = []Parameter{
	{0x60, "Parameters supported, 61 to 80", 4, []Signal{
		{"PIDS_60", "Parameters supported, 61 to 80", "", 0, 4294967295, as(supportedText, long(0, 1, 1, 0))},
	}},
	{0x61, "Driver demand percent torque", 1, []Signal{
		{"TQ_DD", "Driver demand percent torque", "%", -125, 130, octet(0, 1, 1, -125)},
	}},
	{0x62, "Actual percent torque", 1, []Signal{
		{"TQ_ACT", "Actual percent torque", "%", -125, 130, octet(0, 1, 1, -125)},
	}},
	{0x63, "Engine reference torque", 2, []Signal{
		{"TQ_REF", "Engine reference torque", "Nm", 0, 65535, word(0, 1, 1, 0)},
	}},
	{0x64, "Engine percent torque data", 5, []Signal{
		{"TQ_MAX1", "Percent torque, idle point 1", "%", -125, 130, octet(0, 1, 1, -125)},
		{"TQ_MAX2", "Percent torque, point 2", "%", -125, 130, octet(1, 1, 1, -125)},
		{"TQ_MAX3", "Percent torque, point 3", "%", -125, 130, octet(2, 1, 1, -125)},
		{"TQ_MAX4", "Percent torque, point 4", "%", -125, 130, octet(3, 1, 1, -125)},
		{"TQ_MAX5", "Percent torque, point 5", "%", -125, 130, octet(4, 1, 1, -125)},
	}},
	{0x66, "Mass air flow sensors A, B", 5, []Signal{
		{"MAFA", "Mass air flow sensor A", "g/s", 0, 2047.96875, when(0, word(1, 1, 32, 0))},
		{"MAFB", "Mass air flow sensor B", "g/s", 0, 2047.96875, when(1, word(3, 1, 32, 0))},
	}},
	{0x67, "Engine coolant temperatures 1, 2", 3, []Signal{
		{"ECT_1", "Coolant temperature 1", "°C", -40, 215, when(0, octet(1, 1, 1, -40))},
		{"ECT_2", "Coolant temperature 2", "°C", -40, 215, when(1, octet(2, 1, 1, -40))},
	}},
	{0x68, "Intake air temperatures", 7, []Signal{
		{"IAT_11", "Intake air temperature B1S1", "°C", -40, 215, when(0, octet(1, 1, 1, -40))},
		{"IAT_12", "Intake air temperature B1S2", "°C", -40, 215, when(1, octet(2, 1, 1, -40))},
		{"IAT_13", "Intake air temperature B1S3", "°C", -40, 215, when(2, octet(3, 1, 1, -40))},
		{"IAT_21", "Intake air temperature B2S1", "°C", -40, 215, when(3, octet(4, 1, 1, -40))},
		{"IAT_22", "Intake air temperature B2S2", "°C", -40, 215, when(4, octet(5, 1, 1, -40))},
		{"IAT_23", "Intake air temperature B2S3", "°C", -40, 215, when(5, octet(6, 1, 1, -40))},
	}},
	{0x6F, "Turbocharger compressor inlet pressures A, B", 3, []Signal{
		{"TCA_CINP", "Turbo A compressor inlet pressure", "kPa", 0, 255, when(0, octet(1, 1, 1, 0))},
		{"TCB_CINP", "Turbo B compressor inlet pressure", "kPa", 0, 255, when(1, octet(2, 1, 1, 0))},
	}},
	{0x70, "Boost pressure control", 10, []Signal{
		{"BP_A_CMD", "Commanded boost A (absolute)", "kPa", 0, 2047.96875, when(0, word(1, 1, 32, 0))},
		{"BP_A_ACT", "Boost pressure A (absolute)", "kPa", 0, 2047.96875, when(1, word(3, 1, 32, 0))},
		{"BP_B_CMD", "Commanded boost B (absolute)", "kPa", 0, 2047.96875, when(3, word(5, 1, 32, 0))},
		{"BP_B_ACT", "Boost pressure B (absolute)", "kPa", 0, 2047.96875, when(4, word(7, 1, 32, 0))},
		{"BP_A", "Boost A control status", "", 0, 3, when(2, as(boostStatus, bits(9, 0, 2)))},
		{"BP_B", "Boost B control status", "", 0, 3, when(5, as(boostStatus, bits(9, 2, 2)))},
	}},
	{0x77, "Charge air cooler temperatures", 5, []Signal{
		{"CACT11", "Charge air cooler temperature B1S1", "°C", -40, 215, when(0, octet(1, 1, 1, -40))},
		{"CACT12", "Charge air cooler temperature B1S2", "°C", -40, 215, when(1, octet(2, 1, 1, -40))},
		{"CACT21", "Charge air cooler temperature B2S1", "°C", -40, 215, when(2, octet(3, 1, 1, -40))},
		{"CACT22", "Charge air cooler temperature B2S2", "°C", -40, 215, when(3, octet(4, 1, 1, -40))},
	}},
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
	{0x8C, "Wide-range oxygen sensors: concentration and λ", 17, []Signal{
		{"O2S11_PCT", "Wide range oxygen concentration B1S1", "%", 0, 100.0, when(0, word(1, 1526, 1e6, 0))},
		{"O2S12_PCT", "Wide range oxygen concentration B1S2", "%", 0, 100.0, when(1, word(3, 1526, 1e6, 0))},
		{"O2S21_PCT", "Wide range oxygen concentration B2S1", "%", 0, 100.0, when(2, word(5, 1526, 1e6, 0))},
		{"O2S22_PCT", "Wide range oxygen concentration B2S2", "%", 0, 100.0, when(3, word(7, 1526, 1e6, 0))},
		{"LAMBDA11", "Wide range λ B1S1", "1", 0, 7.99527, when(4, as(fixedLambda, word(9, 122, 1e6, 0)))},
		{"LAMBDA12", "Wide range λ B1S2", "1", 0, 7.99527, when(5, as(fixedLambda, word(11, 122, 1e6, 0)))},
		{"LAMBDA21", "Wide range λ B2S1", "1", 0, 7.99527, when(6, as(fixedLambda, word(13, 122, 1e6, 0)))},
		{"LAMBDA22", "Wide range λ B2S2", "1", 0, 7.99527, when(7, as(fixedLambda, word(15, 122, 1e6, 0)))},
	}},
	{0x8E, "Engine friction percent torque", 1, []Signal{
		{"TQ_FR", "Engine friction percent torque", "%", -125, 130, octet(0, 1, 1, -125)},
	}},
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
