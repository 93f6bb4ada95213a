package pid

// firstParameters are the parameters 00 to 3F, apart from the oxygen sensors 14 to 1B, 24 to 2B and 34 to 3B, which
// oxygenParameters builds. Formulas: the compliance test SAE J1699-3; names and ranges: SAE J1979.
var firstParameters = []Parameter{
	{0x00, "Parameters supported, 01 to 20", 4, []Signal{
		{"PIDS_00", "Parameters supported, 01 to 20", "", 0, 4294967295, as(supportedText, long(0, 1, 1, 0))},
	}},
	{0x01, "Monitor status since trouble codes were cleared", 4, []Signal{
		{"MIL", "Malfunction indicator lamp commanded on", "", 0, 1, as(onOff, flag(0, 7))},
		{"DTC_CNT", "Confirmed trouble codes in this engine computer", "1", 0, 127, bits(0, 0, 7)},
		{"READY", "Monitors since trouble codes were cleared", "", 0, 16777215, as(monitors, monitorBits())},
	}},
	{0x02, "Trouble code that stored the freeze frame", 2, []Signal{
		{"DTCFRZF", "Trouble code that stored the freeze frame", "", 0, 65535, as(troubleCode, word(0, 1, 1, 0))},
	}},
	{0x03, "Fuel system status", 2, []Signal{
		{"FUELSYS1", "Fuel system 1 status", "", 0, 128, as(fuelSystem, octet(0, 1, 1, 0))},
		{"FUELSYS2", "Fuel system 2 status", "", 0, 128, as(fuelSystem, octet(1, 1, 1, 0))},
	}},
	{0x04, "Calculated load value", 1, []Signal{
		{"LOAD_PCT", "Calculated load value", "%", 0, 100, octet(0, 100, 255, 0)},
	}},
	{0x05, "Engine coolant temperature", 1, []Signal{
		{"ECT", "Engine coolant temperature", "°C", -40, 215, octet(0, 1, 1, -40)},
	}},
	{0x06, "Short-term fuel trim, bank 1 (and 3)", 1, []Signal{
		{"SHRTFT1", "Short-term fuel trim bank 1", "%", -100, 99.21875, octet(0, 100, 128, -100)},
		{"SHRTFT3", "Short-term fuel trim bank 3", "%", -100, 99.21875, octet(1, 100, 128, -100)},
	}},
	{0x07, "Long-term fuel trim, bank 1 (and 3)", 1, []Signal{
		{"LONGFT1", "Long-term fuel trim bank 1", "%", -100, 99.21875, octet(0, 100, 128, -100)},
		{"LONGFT3", "Long-term fuel trim bank 3", "%", -100, 99.21875, octet(1, 100, 128, -100)},
	}},
	{0x08, "Short-term fuel trim, bank 2 (and 4)", 1, []Signal{
		{"SHRTFT2", "Short-term fuel trim bank 2", "%", -100, 99.21875, octet(0, 100, 128, -100)},
		{"SHRTFT4", "Short-term fuel trim bank 4", "%", -100, 99.21875, octet(1, 100, 128, -100)},
	}},
	{0x09, "Long-term fuel trim, bank 2 (and 4)", 1, []Signal{
		{"LONGFT2", "Long-term fuel trim bank 2", "%", -100, 99.21875, octet(0, 100, 128, -100)},
		{"LONGFT4", "Long-term fuel trim bank 4", "%", -100, 99.21875, octet(1, 100, 128, -100)},
	}},
	{0x0A, "Fuel pressure (gauge)", 1, []Signal{
		{"FP", "Fuel pressure (gauge)", "kPa", 0, 765, octet(0, 3, 1, 0)},
	}},
	{0x0B, "Intake manifold absolute pressure", 1, []Signal{
		{"MAP", "Intake manifold absolute pressure", "kPa", 0, 255, as(manifold, octet(0, 1, 1, 0))},
	}},
	{0x0C, "Engine speed", 2, []Signal{
		{"RPM", "Engine speed", "1/min", 0, 16383.75, word(0, 1, 4, 0)},
	}},
	{0x0D, "Vehicle speed", 1, []Signal{
		{"VSS", "Vehicle speed", "km/h", 0, 255, octet(0, 1, 1, 0)},
	}},
	{0x0E, "Ignition timing advance, cylinder 1", 1, []Signal{
		{"SPARKADV", "Ignition timing advance, cylinder 1", "° BTDC", -64, 63.5, octet(0, 1, 2, -64)},
	}},
	{0x0F, "Intake air temperature", 1, []Signal{
		{"IAT", "Intake air temperature", "°C", -40, 215, octet(0, 1, 1, -40)},
	}},
	{0x10, "Mass air flow", 2, []Signal{
		{"MAF", "Mass air flow", "g/s", 0, 655.35, as(airFlow, word(0, 1, 100, 0))},
	}},
	{0x11, "Absolute throttle position", 1, []Signal{
		{"TP", "Absolute throttle position", "%", 0, 100, octet(0, 100, 255, 0)},
	}},
	{0x12, "Commanded secondary air status", 1, []Signal{
		{"AIR_STAT", "Commanded secondary air status", "", 1, 8, as(secondaryAir, octet(0, 1, 1, 0))},
	}},
	{0x13, "Oxygen sensor location (2 banks)", 1, []Signal{
		{"O2SLOC", "Oxygen sensor location (2 banks)", "", 0, 255, as(location13, octet(0, 1, 1, 0))},
	}},
	{0x1C, "OBD requirement designed to", 1, []Signal{
		{"OBDSUP", "OBD requirement designed to", "", 1, 255, as(obdStandard, octet(0, 1, 1, 0))},
	}},
	{0x1D, "Oxygen sensor location (4 banks)", 1, []Signal{
		{"O2SLOC", "Oxygen sensor location (4 banks)", "", 0, 255, as(location1D, octet(0, 1, 1, 0))},
	}},
	{0x1F, "Run time since engine start", 2, []Signal{
		{"RUNTM", "Run time since engine start", "s", 0, 65535, word(0, 1, 1, 0)},
	}},
	{0x20, "Parameters supported, 21 to 40", 4, []Signal{
		{"PIDS_20", "Parameters supported, 21 to 40", "", 0, 4294967295, as(supportedText, long(0, 1, 1, 0))},
	}},
	{0x21, "Distance with MIL on", 2, []Signal{
		{"MIL_DIST", "Distance with MIL on", "km", 0, 65535, word(0, 1, 1, 0)},
	}},
	{0x22, "Fuel rail pressure relative to manifold", 2, []Signal{
		{"FRP", "Fuel rail pressure relative to manifold", "kPa", 0, 5177.265, word(0, 79, 1000, 0)},
	}},
	{0x23, "Fuel rail gauge pressure (wide)", 2, []Signal{
		{"FRP", "Fuel rail gauge pressure (wide)", "kPa", 0, 655350, word(0, 10, 1, 0)},
	}},
	{0x2C, "Commanded EGR", 1, []Signal{
		{"EGR_PCT", "Commanded EGR", "%", 0, 100, octet(0, 100, 255, 0)},
	}},
	{0x2D, "EGR error", 1, []Signal{
		{"EGR_ERR", "EGR error", "%", -100, 99.21875, octet(0, 100, 128, -100)},
	}},
	{0x2E, "Commanded evaporative purge", 1, []Signal{
		{"EVAP_PCT", "Commanded evaporative purge", "%", 0, 100, octet(0, 100, 255, 0)},
	}},
	{0x2F, "Fuel level input", 1, []Signal{
		{"FLI", "Fuel level input", "%", 0, 100, octet(0, 100, 255, 0)},
	}},
	{0x30, "Warm-ups since trouble codes were cleared", 1, []Signal{
		{"WARM_UPS", "Warm-ups since trouble codes were cleared", "1", 0, 255, octet(0, 1, 1, 0)},
	}},
	{0x31, "Distance since trouble codes were cleared", 2, []Signal{
		{"CLR_DIST", "Distance since trouble codes were cleared", "km", 0, 65535, word(0, 1, 1, 0)},
	}},
	{0x32, "Evap system vapour pressure", 2, []Signal{
		{"EVAP_VP", "Evap system vapour pressure", "Pa", -8192, 8191.75, signed(0, 1, 4, 0)},
	}},
	{0x33, "Barometric pressure", 1, []Signal{
		{"BARO", "Barometric pressure", "kPa", 0, 255, octet(0, 1, 1, 0)},
	}},
	{0x3C, "Catalyst temperature B1S1", 2, []Signal{
		{"CATEMP11", "Catalyst temperature B1S1", "°C", -40, 6513.5, word(0, 1, 10, -40)},
	}},
	{0x3D, "Catalyst temperature B2S1", 2, []Signal{
		{"CATEMP21", "Catalyst temperature B2S1", "°C", -40, 6513.5, word(0, 1, 10, -40)},
	}},
	{0x3E, "Catalyst temperature B1S2", 2, []Signal{
		{"CATEMP12", "Catalyst temperature B1S2", "°C", -40, 6513.5, word(0, 1, 10, -40)},
	}},
	{0x3F, "Catalyst temperature B2S2", 2, []Signal{
		{"CATEMP22", "Catalyst temperature B2S2", "°C", -40, 6513.5, word(0, 1, 10, -40)},
	}},
}
