// Package obdtest is a virtual ELM327-class adapter with engine computers behind it. It is a peer and not a mock:
// it speaks over any byte stream, at the pace of a serial line, obeys the settings it is given, gets angry in the
// same words as a real one and can be made to fail while it runs. It knows frames and lines; what a parameter
// means is the business of the ECU's Answer function.
//
// # Time
//
// One request takes, from the first character sent to the prompt received,
//
//	N_out·tb + parse + frame + T_ecu + frame + format + N_in·tb
//
// where tb is ten bit times of the serial line (8N1), N_out and N_in are characters both ways, and
//
//	parse   0.3 ms   reading the line and starting the request (estimate, no published figure)
//	frame   0.22 ms  an 8-byte 11-bit frame at 500 kbit/s (ELM327 data sheet, firmware 2.1, p. 74)
//	format  0.222 ms 0.029 ms to fetch and 0.193 ms to format one frame (same page)
//	T_ecu            the engine computer's answering time, 0 to 50 ms by ISO 15765-4; ECU.Delay
//
// A reply of several frames adds a flow control frame (0.1 ms to decide and one frame), 1 ms for the engine
// computer to react, and 0.286 ms a consecutive frame (220 µs, 16 µs between frames, and the sender's own pause;
// estimate). Lines are sent in the background while later frames come in. Frame times of other buses: 29-bit
// 0.262 ms and 250 kbit/s twice that (nominal bit counts, ISO 11898-1), K-line 0.9615 ms a byte at 10 400 baud,
// J1850 0.769 and 0.192 ms a byte.
//
// Without a response count at the end of the request the adapter keeps listening after each frame for its
// time-out: 4.096 ms times AT ST (default 32 hex, 204.8 ms), the ceiling. With AT AT1 and AT2 the time-out follows
// the slowest recent answer. How a real part does that is not published; here it is 1.5 times the slowest answer
// and 16 ms (AT1), or the slowest answer and 8 ms (AT2), the estimate fading by an eighth a request and going half
// way back to the ceiling when nothing answers. AT1 so gives the 6 requests a second that the data sheet (p. 52)
// reports for a car that needs 58 ms. On the older buses AT1 does not go below the longest pause between two messages
// of one answer, P2max = 50 ms (ISO 14230-2, from memory), a little room and the longest message, or it would cut VINs.
//
// Frames that come when the adapter does not listen any more, because the count was reached or the time-out was over,
// stay in the receiver of its CAN controller, which holds two (estimate), and become the first lines of the next
// answer. A count that is too small where two engine computers answer so makes the second one's answer a foreign one.
//
// The instant at which an engine computer samples its values lies inside its answering time and is handed to
// Answer; on the real clock it is therefore never before the request was written nor after the answer's first
// character can be read. Every wait is until an instant and never for a span, so oversleeping does not add up.
package obdtest
