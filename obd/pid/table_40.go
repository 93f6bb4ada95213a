package pid

// middleParameters are the parameters 40 to 5F. Formulas: the compliance test SAE J1699-3; names and ranges: SAE J1979.
var middleParameters = []Parameter{
	{0x40, "Parameters supported, 41 to 60", 4, []Signal{
		{"PIDS_40", "Parameters supported, 41 to 60", "", 0, 4294967295, as(supportedText, long(0, 1, 1, 0))},
	}},
	{0x41, "Monitors this drive cycle", 4, []Signal{
		{"READY_DC", "Monitors this drive cycle", "", 0, 16777215, as(monitors, monitorBits())},
	}},
	{0x42, "Control module voltage", 2, []Signal{
		{"VPWR", "Control module voltage", "V", 0, 65.535, word(0, 1, 1000, 0)},
	}},
	{0x43, "Absolute load value", 2, []Signal{
		{"LOAD_ABS", "Absolute load value", "%", 0, 25700, word(0, 100, 255, 0)},
	}},
	{0x44, "Commanded equivalence ratio", 2, []Signal{
		{"LAMBDA", "Commanded equivalence ratio", "1", 0, 65535.0 / 32768, as(commandedLambda, word(0, 1, 32768, 0))},
	}},
	{0x45, "Relative throttle position", 1, []Signal{
		{"TP_R", "Relative throttle position", "%", 0, 100, octet(0, 100, 255, 0)},
	}},
	{0x46, "Ambient air temperature", 1, []Signal{
		{"AAT", "Ambient air temperature", "°C", -40, 215, octet(0, 1, 1, -40)},
	}},
	{0x47, "Absolute throttle position B", 1, []Signal{
		{"TP_B", "Absolute throttle position B", "%", 0, 100, octet(0, 100, 255, 0)},
	}},
	{0x48, "Absolute throttle position C", 1, []Signal{
		{"TP_C", "Absolute throttle position C", "%", 0, 100, octet(0, 100, 255, 0)},
	}},
	{0x49, "Accelerator pedal position D", 1, []Signal{
		{"APP_D", "Accelerator pedal position D", "%", 0, 100, octet(0, 100, 255, 0)},
	}},
	{0x4A, "Accelerator pedal position E", 1, []Signal{
		{"APP_E", "Accelerator pedal position E", "%", 0, 100, octet(0, 100, 255, 0)},
	}},
	{0x4B, "Accelerator pedal position F", 1, []Signal{
		{"APP_F", "Accelerator pedal position F", "%", 0, 100, octet(0, 100, 255, 0)},
	}},
	{0x4C, "Commanded throttle actuator", 1, []Signal{
		{"TAC_PCT", "Commanded throttle actuator", "%", 0, 100, octet(0, 100, 255, 0)},
	}},
	{0x4D, "Engine run time with MIL on", 2, []Signal{
		{"MIL_TIME", "Engine run time with MIL on", "min", 0, 65535, word(0, 1, 1, 0)},
	}},
	{0x4E, "Engine run time since trouble codes were cleared", 2, []Signal{
		{"CLR_TIME", "Engine run time since trouble codes were cleared", "min", 0, 65535, word(0, 1, 1, 0)},
	}},
	{0x4F, "Full scales of λ, oxygen sensor voltage and current, manifold pressure", 4, []Signal{
		{"MAX_EQ_RAT", "Full scale of λ", "1", 0, 255, octet(0, 1, 1, 0)},
		{"MAX_O2_VOLT", "Full scale of oxygen sensor voltage", "V", 0, 255, octet(1, 1, 1, 0)},
		{"MAX_O2_CURR", "Full scale of oxygen sensor current", "mA", 0, 255, octet(2, 1, 1, 0)},
		{"MAX_MAP", "Full scale of manifold absolute pressure", "kPa", 0, 2550, octet(3, 10, 1, 0)},
	}},
	{0x50, "Full scale of mass air flow", 4, []Signal{
		{"MAX_MAF", "Full scale of mass air flow", "g/s", 0, 2550, octet(0, 10, 1, 0)},
	}},
	{0x51, "Fuel type", 1, []Signal{
		{"FUEL_TYP", "Fuel type", "", 1, 255, as(fuelType, octet(0, 1, 1, 0))},
	}},
	{0x52, "Ethanol fuel percentage", 1, []Signal{
		{"ALCH_PCT", "Ethanol fuel percentage", "%", 0, 100, octet(0, 100, 255, 0)},
	}},
	{0x53, "Absolute evap vapour pressure", 2, []Signal{
		{"EVAP_VPA", "Absolute evap vapour pressure", "kPa", 0, 327.675, word(0, 1, 200, 0)},
	}},
	{0x54, "Evap vapour pressure, wide", 2, []Signal{
		{"EVAP_VP_W", "Evap vapour pressure, wide", "Pa", -32768, 32767, signed(0, 1, 1, 0)},
	}},
	{0x55, "Short-term secondary oxygen sensor trim, bank 1 (and 3)", 1, []Signal{
		{"STSO2FT1", "Short-term secondary oxygen sensor trim bank 1", "%", -100, 99.21875, octet(0, 100, 128, -100)},
		{"STSO2FT3", "Short-term secondary oxygen sensor trim bank 3", "%", -100, 99.21875, octet(1, 100, 128, -100)},
	}},
	{0x56, "Long-term secondary oxygen sensor trim, bank 1 (and 3)", 1, []Signal{
		{"LGSO2FT1", "Long-term secondary oxygen sensor trim bank 1", "%", -100, 99.21875, octet(0, 100, 128, -100)},
		{"LGSO2FT3", "Long-term secondary oxygen sensor trim bank 3", "%", -100, 99.21875, octet(1, 100, 128, -100)},
	}},
	{0x57, "Short-term secondary oxygen sensor trim, bank 2 (and 4)", 1, []Signal{
		{"STSO2FT2", "Short-term secondary oxygen sensor trim bank 2", "%", -100, 99.21875, octet(0, 100, 128, -100)},
		{"STSO2FT4", "Short-term secondary oxygen sensor trim bank 4", "%", -100, 99.21875, octet(1, 100, 128, -100)},
	}},
	{0x58, "Long-term secondary oxygen sensor trim, bank 2 (and 4)", 1, []Signal{
		{"LGSO2FT2", "Long-term secondary oxygen sensor trim bank 2", "%", -100, 99.21875, octet(0, 100, 128, -100)},
		{"LGSO2FT4", "Long-term secondary oxygen sensor trim bank 4", "%", -100, 99.21875, octet(1, 100, 128, -100)},
	}},
	{0x59, "Fuel rail absolute pressure", 2, []Signal{
		{"FRP", "Fuel rail absolute pressure", "kPa", 0, 655350, word(0, 10, 1, 0)},
	}},
	{0x5A, "Relative accelerator pedal position", 1, []Signal{
		{"APP_R", "Relative accelerator pedal position", "%", 0, 100, octet(0, 100, 255, 0)},
	}},
	{0x5B, "Hybrid battery remaining life", 1, []Signal{
		{"BAT_PWR", "Hybrid battery remaining life", "%", 0, 100, octet(0, 100, 255, 0)},
	}},
	{0x5C, "Engine oil temperature", 1, []Signal{
		{"EOT", "Engine oil temperature", "°C", -40, 215, octet(0, 1, 1, -40)},
	}},
	{0x5D, "Fuel injection timing", 2, []Signal{
		{"FUEL_TIMING", "Fuel injection timing", "° BTDC", -210, 65535.0/128 - 210, word(0, 1, 128, -210)},
	}},
	{0x5E, "Engine fuel rate", 2, []Signal{
		{"FUEL_RATE", "Engine fuel rate", "L/h", 0, 3212.75, word(0, 1, 20, 0)},
	}},
}
