package pid

// laterParameters are the parameters 60 to 7F. Most begin with a status byte: a bit of A says whether a pair of bytes
// after it holds data or filler, and filler is never a value. Formulas and acronyms: the compliance test SAE J1699-3.
//
// 74, the turbochargers' speed, has no decoder: that test takes a bit as one revolution a minute, later editions of the
// standard as ten (from memory), and nothing in an answer tells which.
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
	{0x69, "Commanded EGR and EGR error, A and B", 7, []Signal{
		{"EGR_A_CMD", "Commanded EGR A", "%", 0, 100, when(0, octet(1, 100, 255, 0))},
		{"EGR_A_ACT", "Actual EGR A", "%", 0, 100, when(1, octet(2, 100, 255, 0))},
		{"EGR_A_ERR", "EGR A error", "%", -100, 99.21875, when(2, octet(3, 100, 128, -100))},
		{"EGR_B_CMD", "Commanded EGR B", "%", 0, 100, when(3, octet(4, 100, 255, 0))},
		{"EGR_B_ACT", "Actual EGR B", "%", 0, 100, when(4, octet(5, 100, 255, 0))},
		{"EGR_B_ERR", "EGR B error", "%", -100, 99.21875, when(5, octet(6, 100, 128, -100))},
	}},
	{0x6A, "Intake air flow control, A and B", 5, []Signal{
		{"IAF_A_CMD", "Commanded intake air flow A", "%", 0, 100, when(0, octet(1, 100, 255, 0))},
		{"IAF_A_REL", "Relative intake air flow A position", "%", 0, 100, when(1, octet(2, 100, 255, 0))},
		{"IAF_B_CMD", "Commanded intake air flow B", "%", 0, 100, when(2, octet(3, 100, 255, 0))},
		{"IAF_B_REL", "Relative intake air flow B position", "%", 0, 100, when(3, octet(4, 100, 255, 0))},
	}},
	{0x6B, "EGR temperatures", 5, []Signal{
		{"EGRT11", "EGR temperature B1S1", "°C", -40, 980, either(0, 4, octet(1, 1, 1, -40))},
		{"EGRT12", "EGR temperature B1S2", "°C", -40, 980, either(1, 5, octet(2, 1, 1, -40))},
		{"EGRT21", "EGR temperature B2S1", "°C", -40, 980, either(2, 6, octet(3, 1, 1, -40))},
		{"EGRT22", "EGR temperature B2S2", "°C", -40, 980, either(3, 7, octet(4, 1, 1, -40))},
	}},
	{0x6C, "Throttle actuator control, A and B", 5, []Signal{
		{"TAC_A_CMD", "Commanded throttle actuator A", "%", 0, 100, when(0, octet(1, 100, 255, 0))},
		{"TP_A_REL", "Relative throttle position A", "%", 0, 100, when(1, octet(2, 100, 255, 0))},
		{"TAC_B_CMD", "Commanded throttle actuator B", "%", 0, 100, when(2, octet(3, 100, 255, 0))},
		{"TP_B_REL", "Relative throttle position B", "%", 0, 100, when(3, octet(4, 100, 255, 0))},
	}},
	{0x6D, "Fuel pressure control", 11, []Signal{
		{"FRP_A_CMD", "Commanded fuel rail pressure A", "kPa", 0, 655350, when(0, word(1, 10, 1, 0))},
		{"FRP_A", "Fuel rail pressure A", "kPa", 0, 655350, when(1, word(3, 10, 1, 0))},
		{"FRT_A", "Fuel rail temperature A", "°C", -40, 215, when(2, octet(5, 1, 1, -40))},
		{"FRP_B_CMD", "Commanded fuel rail pressure B", "kPa", 0, 655350, when(3, word(6, 10, 1, 0))},
		{"FRP_B", "Fuel rail pressure B", "kPa", 0, 655350, when(4, word(8, 10, 1, 0))},
		{"FRT_B", "Fuel rail temperature B", "°C", -40, 215, when(5, octet(10, 1, 1, -40))},
	}},
	{0x6E, "Injection pressure control", 9, []Signal{
		{"ICP_A_CMD", "Commanded injection control pressure A", "kPa", 0, 655350, when(0, word(1, 10, 1, 0))},
		{"ICP_A", "Injection control pressure A", "kPa", 0, 655350, when(1, word(3, 10, 1, 0))},
		{"ICP_B_CMD", "Commanded injection control pressure B", "kPa", 0, 655350, when(2, word(5, 10, 1, 0))},
		{"ICP_B", "Injection control pressure B", "kPa", 0, 655350, when(3, word(7, 10, 1, 0))},
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
	{0x71, "Variable geometry turbochargers", 6, []Signal{
		{"VGT_A_CMD", "Commanded turbo A position", "%", 0, 100, when(0, octet(1, 100, 255, 0))},
		{"VGT_A_ACT", "Turbo A position", "%", 0, 100, when(1, octet(2, 100, 255, 0))},
		{"VGT_B_CMD", "Commanded turbo B position", "%", 0, 100, when(3, octet(3, 100, 255, 0))},
		{"VGT_B_ACT", "Turbo B position", "%", 0, 100, when(4, octet(4, 100, 255, 0))},
		{"VGT_A", "Turbo A control status", "", 0, 3, when(2, as(boostStatus, bits(5, 0, 2)))},
		{"VGT_B", "Turbo B control status", "", 0, 3, when(5, as(boostStatus, bits(5, 2, 2)))},
	}},
	{0x72, "Wastegates", 5, []Signal{
		{"WG_A_CMD", "Commanded wastegate A position", "%", 0, 100, when(0, octet(1, 100, 255, 0))},
		{"WG_A_ACT", "Wastegate A position", "%", 0, 100, when(1, octet(2, 100, 255, 0))},
		{"WG_B_CMD", "Commanded wastegate B position", "%", 0, 100, when(2, octet(3, 100, 255, 0))},
		{"WG_B_ACT", "Wastegate B position", "%", 0, 100, when(3, octet(4, 100, 255, 0))},
	}},
	{0x73, "Exhaust pressures", 5, []Signal{
		{"EP1", "Exhaust pressure bank 1", "kPa", 0, 655.35, when(0, word(1, 1, 100, 0))},
		{"EP2", "Exhaust pressure bank 2", "kPa", 0, 655.35, when(1, word(3, 1, 100, 0))},
	}},
	{0x75, "Turbocharger A temperatures", 7, turboTemperatures("A")},
	{0x76, "Turbocharger B temperatures", 7, turboTemperatures("B")},
	{0x77, "Charge air cooler temperatures", 5, []Signal{
		{"CACT11", "Charge air cooler temperature B1S1", "°C", -40, 215, when(0, octet(1, 1, 1, -40))},
		{"CACT12", "Charge air cooler temperature B1S2", "°C", -40, 215, when(1, octet(2, 1, 1, -40))},
		{"CACT21", "Charge air cooler temperature B2S1", "°C", -40, 215, when(2, octet(3, 1, 1, -40))},
		{"CACT22", "Charge air cooler temperature B2S2", "°C", -40, 215, when(3, octet(4, 1, 1, -40))},
	}},
	{0x78, "Exhaust gas temperatures bank 1", 9, exhaustTemperatures(1)},
	{0x79, "Exhaust gas temperatures bank 2", 9, exhaustTemperatures(2)},
	{0x7F, "Engine run times", 13, []Signal{
		{"RUN_TIME", "Total engine run time", "s", 0, 4294967294, when(0, as(longTime, long(1, 1, 1, 0)))},
		{"IDLE_TIME", "Total idle run time", "s", 0, 4294967294, when(1, as(longTime, long(5, 1, 1, 0)))},
		{"PTO_TIME", "Total run time with power take-off", "s", 0, 4294967294, when(2, as(longTime, long(9, 1, 1, 0)))},
	}},
}

func turboTemperatures(turbo string) []Signal {
	acronym, name := "TC"+turbo+"_", "Turbo "+turbo+" "
	return []Signal{
		{acronym + "CINT", name + "compressor inlet temperature", "°C", -40, 215, when(0, octet(1, 1, 1, -40))},
		{acronym + "COUTT", name + "compressor outlet temperature", "°C", -40, 215, when(1, octet(2, 1, 1, -40))},
		{acronym + "TINT", name + "turbine inlet temperature", "°C", -40, 6513.5, when(2, word(3, 1, 10, -40))},
		{acronym + "TOUTT", name + "turbine outlet temperature", "°C", -40, 6513.5, when(3, word(5, 1, 10, -40))},
	}
}

func exhaustTemperatures(bank byte) []Signal {
	var list []Signal
	for n := range 4 {
		s := sensor{bank, byte(n + 1)}
		list = append(list, Signal{"EGT" + s.digits(), "Exhaust gas temperature " + s.String(), "°C", -40, 6513.5,
			when(n, word(1+2*n, 1, 10, -40))})
	}
	return list
}
