package httpapi

import (
	"net/http"

	"underdash/daemon/access"
	"underdash/daemon/calibration"
	"underdash/store/plot"
	"underdash/store/summary"
)

// prefix precedes every route's path.
const prefix = "/api/v1"

// route is one thing that can be asked, and what the API's description says of it.
type route struct {
	method, path string
	handle       func(http.ResponseWriter, *http.Request) error
	about        string   // one sentence
	query        []param  // beside those in the path
	body         any      // of the JSON that is sent; nil: none is
	answer       any      // of the JSON that comes; nil: see content
	content      string   // what comes if it is not JSON; with neither nothing comes (204)
	status       int      // default 200, or 204 if nothing comes
	ranges       bool     // pieces of it can be asked for
	problems     []string // kinds
}

// param is a parameter in a query.
type param struct {
	name, kind, about string // kind of JSON schema: "string", "number", "integer", "boolean", "array" of strings
	required          bool
}

// table is everything that can be asked under prefix.
func (s *Server) table() []route {
	return append(append(append(s.accessRoutes(), s.sessionRoutes()...), s.calibrationRoutes()...), s.nowRoutes()...)
}

func (s *Server) accessRoutes() []route {
	return []route{
		{method: "GET", path: "/openapi.json", handle: s.describe, content: "application/json", about: "This description (OpenAPI 3.1)."},
		{method: "POST", path: "/tokens", handle: s.grant, body: TokenRequest{}, answer: Token{}, status: http.StatusCreated,
			about: "Gives a program that sends the access code a token; the only request that needs none.", problems: []string{"wrong-code", "wrong-program", "slow-down"}},
		{method: "GET", path: "/tokens", handle: s.passes, answer: Passes{}, about: "Who may come in: programs by their tokens, browsers by their cookies."},
		{method: "DELETE", path: "/tokens/{id}", handle: s.revoke, about: "Puts out who holds the pass of that ID."},
	}
}

func (s *Server) sessionRoutes() []route {
	options := []param{{name: "rate", kind: "number", about: "average the analog inputs to so many values a second, 0.1 to 1000; every reading if it is left out"},
		{name: "aligned", kind: "boolean", about: "add λ at the instants when its mixture was drawn in; true if it is left out"}}
	return []route{
		{method: "GET", path: "/sessions", handle: s.list, answer: Sessions{}, about: "Every session, oldest first, and which of them is being recorded."},
		{method: "GET", path: "/sessions/{id}", handle: s.session, answer: summary.Drive{}, about: "One session whole. A session is named by its ID, a beginning of it that no other has, or last."},
		{method: "DELETE", path: "/sessions/{id}", handle: s.remove, about: "Deletes a session.", problems: []string{"recording", "pinned"}},
		{method: "PUT", path: "/sessions/{id}/pinned", handle: s.pin(true), about: "Keeps a session when room is needed."},
		{method: "DELETE", path: "/sessions/{id}/pinned", handle: s.pin(false), about: "Keeps it no longer."},
		{method: "PUT", path: "/sessions/{id}/pulled", handle: s.pulled, body: Digest{}, about: "Says that a session has arrived elsewhere, by the digest of its seal; room is made first from such.",
			problems: []string{"digest", "unsealed"}},
		{method: "GET", path: "/sessions/{id}/file", handle: s.file, content: "application/octet-stream", ranges: true, about: "The sealed session file itself.",
			problems: []string{"unsealed", "recording", "busy"}},
		{method: "GET", path: "/sessions/{id}/exports/{format}", handle: s.export, query: options, content: "*/*", ranges: true,
			about: "The session in a format that other programs read. It is the same to the byte for the same entity tag. Of a session that is being recorded there is what there is, without a tag.", problems: []string{"busy"}},
		{method: "GET", path: "/sessions/{id}/exports/{format}/description", handle: s.exportDescription, query: append([]param{{name: "name", kind: "string", about: "of the file that is described; the session's if it is left out"}}, options...),
			content: "application/json", about: "What the columns of the CSV export mean: Metadata Vocabulary for Tabular Data (W3C, 2015)."},
		{method: "GET", path: "/sessions/{id}/review", handle: s.review, answer: Review{}, about: "What bears on how far a session can be trusted."},
		{method: "GET", path: "/sessions/{id}/plot", handle: s.plot, answer: plot.Plot{}, about: "Channels thinned out for a plot.", query: []param{
			{name: "channel", kind: "array", about: "a channel's name, once for each; all if it is left out"}, {name: "from", kind: "number", about: "seconds on the session's clock"},
			{name: "to", kind: "number", about: "seconds; the end if it is left out"}, {name: "points", kind: "integer", about: "most columns of a channel, 50 to 4000; 800 if it is left out"}}},
		{method: "GET", path: "/sessions/{id}/marks", handle: s.marks, answer: Marks{}, about: "The named instants of a session."},
		{method: "POST", path: "/marks", handle: s.mark, body: MarkRequest{}, about: "Puts a named instant, now, into the session being recorded.", problems: []string{"no-session"}},
	}
}

func (s *Server) calibrationRoutes() []route {
	input := param{name: "input", kind: "string", about: "the analog input's name; may be left out if there is one"}
	afr := param{name: "afr", kind: "number", about: "the stoichiometric ratio of the scale that scale ends are to be typed into, 1 to 40; 14.7 if it is left out"}
	return []route{
		{method: "GET", path: "/calibration", handle: s.calibration, query: []param{{name: "sessions", kind: "integer", about: "how many of the last sessions are looked at, 1 to 100; 20 if it is left out"}, afr},
			answer: Calibrations{}, about: "Of every wideband input what the last sessions show by themselves, the levels that wait, and what is applied."},
		{method: "GET", path: "/calibration/applied", handle: s.applied, answer: AppliedList{}, about: "All calibrations that ever were applied, of every input, in the order in which they were. Of those for a session's input, number and origin the last one counts."},
		{method: "POST", path: "/calibration/levels", handle: s.measure, body: LevelRequest{}, answer: Measured{},
			about: "Watches an input while the controller holds a level, and keeps that; without a level it only tells what is there.", problems: []string{"no-level", "busy"}},
		{method: "DELETE", path: "/calibration/levels", handle: s.forget, query: []param{input}, about: "Forgets the levels of an input that wait."},
		{method: "POST", path: "/calibration/preview", handle: s.preview, body: PreviewRequest{}, answer: calibration.Finding{}, about: "What the levels that wait tell of an input, and what they mean for λ. Nothing is changed."},
		{method: "POST", path: "/calibration/apply", handle: s.apply, body: ApplyRequest{}, answer: Applied{}, about: "Makes the levels that wait the calibration, from the next session on, or since a date.", problems: []string{"not-applied"}},
		{method: "POST", path: "/calibration/withdraw", handle: s.withdraw, body: ApplyRequest{}, answer: Applied{}, about: "Takes the applied calibration back, from the next session on, or since a date.", problems: []string{"not-applied"}},
	}
}

func (s *Server) nowRoutes() []route {
	return []route{
		{method: "GET", path: "/health", handle: s.health, answer: map[string]any{}, about: "What the daemon says of itself."},
		{method: "GET", path: "/newest", handle: s.now, answer: Now{}, about: "The newest reading of every channel."},
		{method: "GET", path: "/live", handle: s.live, content: "text/event-stream", about: "The same as server-sent events, up to ten a second when something was read and one a second else.", problems: []string{"busy"}},
		{method: "PUT", path: "/time", handle: s.time, body: TimeRequest{}, answer: TimeTaken{}, about: "Offers a clock. It is taken only while nothing better is known."},
	}
}

// Passes are who may come in.
type Passes struct {
	Tokens []access.Pass `json:"tokens"`
}
