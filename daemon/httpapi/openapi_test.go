package httpapi

import (
	"bufio"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/calibration"
	"underdash/store"
)

// document is the API's description as whoever reads it has it: from the logger itself, as JSON.
type document struct {
	OpenAPI string `json:"openapi"`
	Paths   map[string]map[string]struct {
		OperationID string `json:"operationId"`
		Parameters  []struct {
			Name, In string
			Required bool
		}
		RequestBody *struct {
			Content map[string]struct{ Schema map[string]any }
		}
		Responses map[string]struct {
			Description string
			Content     map[string]struct{ Schema map[string]any }
		}
	}
	Components struct{ Schemas map[string]map[string]any }
}

// conforms holds a JSON value against a schema of the kinds that the description uses (JSON Schema draft 2020-12).
func (d document) conforms(schema map[string]any, v any, at string) (faults []string) {
	if ref, ok := schema["$ref"].(string); ok {
		s, ok := d.Components.Schemas[strings.TrimPrefix(ref, "#/components/schemas/")]
		if !ok {
			return []string{at + ": " + ref + " is nowhere"}
		}
		return d.conforms(s, v, at)
	}
	if choice, ok := schema["anyOf"].([]any); ok {
		for _, one := range choice {
			f := d.conforms(one.(map[string]any), v, at)
			if len(f) == 0 {
				return nil
			}
			faults = append(faults, f...)
		}
		return faults
	}
	kinds, _ := schema["type"].([]any)
	if k, ok := schema["type"].(string); ok {
		kinds = []any{k}
	}
	if kinds != nil && !slices.ContainsFunc(kinds, func(k any) bool { return isA(v, k.(string)) }) {
		return []string{fmt.Sprintf("%s: %v is not %v", at, v, kinds)}
	}
	switch v := v.(type) {
	case []any:
		if items, ok := schema["items"].(map[string]any); ok {
			for i, x := range v {
				faults = append(faults, d.conforms(items, x, fmt.Sprintf("%s[%d]", at, i))...)
			}
		}
	case map[string]any:
		fields, _ := schema["properties"].(map[string]any)
		for name, x := range v {
			if f, ok := fields[name].(map[string]any); ok {
				faults = append(faults, d.conforms(f, x, at+"."+name)...)
			} else if schema["additionalProperties"] == false {
				faults = append(faults, at+"."+name+" is not described")
			}
		}
		required, _ := schema["required"].([]any)
		for _, name := range required {
			if _, ok := v[name.(string)]; !ok {
				faults = append(faults, at+" lacks "+name.(string))
			}
		}
	}
	return faults
}

func isA(v any, kind string) bool {
	switch x := v.(type) {
	case nil:
		return kind == "null"
	case bool:
		return kind == "boolean"
	case string:
		return kind == "string"
	case float64:
		return kind == "number" || kind == "integer" && x == math.Trunc(x)
	case []any:
		return kind == "array"
	}
	return kind == "object"
}

// asked is one request for every operation: what is sent, which stands in the query, and what comes.
type asked struct {
	operation, path, body string
	status                int
}

// The description and the handlers say the same: every operation that is described is answered, as described; what is
// answered is described; and nothing else is.
func TestTheDescriptionHoldsBothWays(t *testing.T) {
	l := startLogger(t, 5*time.Second)
	l.daemon.seen = calibration.Seen{Volts: 4.8, Sigma: 0.001, Noise: 0.002, Low: 4.79, High: 4.81, Readings: 500, Step: 0.001, Length: 5 * time.Second}
	meta := wideMeta()
	l.daemon.meta, l.daemon.clock = meta, 10*time.Second
	l.daemon.newest = []store.Sample{{At: 9 * time.Second, Channel: 0, Code: 4000}, {At: 9900 * time.Millisecond, Channel: 2, Code: 2500}}
	id := l.id()
	response, text := l.do("GET", prefix+"/openapi.json", "")
	require.Equal(t, 200, response.StatusCode)
	var d document
	require.NoError(t, json.Unmarshal(text, &d))
	require.Equal(t, "3.1.1", d.OpenAPI)
	_, err := l.keeper.Grant(l.keeper.Code(), "", "somebody to put out")
	require.NoError(t, err)
	var out string
	for _, p := range l.keeper.List() {
		if p.Name != "a test" {
			out = p.ID
		}
	}
	infos, err := l.store.List()
	require.NoError(t, err)
	session := "/sessions/" + id
	asks := []asked{
		{"GET /openapi.json", "/openapi.json", "", 200},
		{"POST /tokens", "/tokens", `{"code":"` + l.keeper.Code() + `","name":"another"}`, 201},
		{"GET /tokens", "/tokens", "", 200},
		{"DELETE /tokens/{id}", "/tokens/" + out, "", 204},
		{"GET /sessions", "/sessions", "", 200},
		{"GET /sessions/{id}", session, "", 200},
		{"PUT /sessions/{id}/pinned", session + "/pinned", "", 204},
		{"DELETE /sessions/{id}/pinned", session + "/pinned", "", 204},
		{"PUT /sessions/{id}/pulled", session + "/pulled", `{"sha256":"` + infos[0].SHA256 + `"}`, 204},
		{"GET /sessions/{id}/file", session + "/file", "", 200},
		{"GET /sessions/{id}/exports/{format}", session + "/exports/csv?rate=10&aligned=false", "", 200},
		{"GET /sessions/{id}/exports/{format}/description", session + "/exports/csv/description?rate=10&aligned=false&name=a.csv", "", 200},
		{"GET /sessions/{id}/review", session + "/review", "", 200},
		{"GET /sessions/{id}/plot", session + "/plot?channel=RPM&channel=MAP&from=1&to=3&points=60", "", 200},
		{"GET /sessions/{id}/plot", session + "/plot", "", 200},
		{"GET /sessions/{id}/marks", session + "/marks", "", 200},
		{"POST /marks", "/marks", `{"text":"here"}`, 204},
		{"GET /calibration", "/calibration?sessions=3&afr=14.1", "", 200},
		{"POST /calibration/preview", "/calibration/preview", `{}`, 200},
		{"POST /calibration/levels", "/calibration/levels", `{"input":"wideband","seconds":1}`, 200},
		{"POST /calibration/levels", "/calibration/levels", `{"level":"warmup"}`, 200},
		{"POST /calibration/preview", "/calibration/preview", `{"input":"wideband","afr":14.1}`, 200},
		{"POST /calibration/apply", "/calibration/apply", `{"input":"wideband","since":"2026-01-01"}`, 200},
		{"GET /calibration", "/calibration", "", 200},
		{"GET /calibration/applied", "/calibration/applied", "", 200},
		{"GET /sessions", "/sessions", "", 200},
		{"POST /calibration/withdraw", "/calibration/withdraw", `{"since":"2026-01-01T00:00:00Z"}`, 200},
		{"DELETE /calibration/levels", "/calibration/levels?input=wideband", "", 204},
		{"GET /health", "/health", "", 200},
		{"GET /newest", "/newest", "", 200},
		{"PUT /time", "/time", `{"utc":"2026-11-25T10:00:00Z","max_error_s":0.5}`, 200},
		{"DELETE /sessions/{id}", session, "", 204},
	}
	covered := map[string]bool{"GET /live": true} // which never ends; see below
	for _, a := range asks {
		covered[a.operation] = true
		method, pattern, _ := strings.Cut(a.operation, " ")
		op, ok := d.Paths[prefix+pattern][strings.ToLower(method)]
		if !assert.True(t, ok, "%s is not described", a.operation) {
			continue
		}
		response, body := l.do(method, prefix+a.path, a.body)
		if !assert.Equal(t, a.status, response.StatusCode, "%s: %s", a.operation, body) {
			continue
		}
		said, ok := op.Responses[fmt.Sprint(response.StatusCode)]
		require.True(t, ok, "%s: %d is not described", a.operation, response.StatusCode)
		if a.body != "" {
			var v any
			require.NoError(t, json.Unmarshal([]byte(a.body), &v))
			assert.Empty(t, d.conforms(op.RequestBody.Content["application/json"].Schema, v, a.operation))
		} else {
			assert.Nil(t, op.RequestBody, a.operation)
		}
		kind := response.Header.Get("Content-Type")
		if response.StatusCode == 204 {
			assert.Empty(t, body)
			assert.Empty(t, said.Content)
			continue
		}
		content, ok := said.Content[kind]
		if anything, wild := said.Content["*/*"]; !ok && wild {
			content, ok = anything, true
		}
		require.True(t, ok, "%s: %s is not described", a.operation, kind)
		if len(content.Schema) > 0 {
			var v any
			require.NoError(t, json.Unmarshal(body, &v))
			assert.Empty(t, d.conforms(content.Schema, v, a.operation))
		}
		// What is not described is not taken.
		if _, q, _ := strings.Cut(a.path, "?"); method == "GET" && kind == "application/json" && pattern != "/openapi.json" && pattern != "/health" && pattern != "/tokens" {
			for part := range strings.SplitSeq(q, "&") {
				name, _, _ := strings.Cut(part, "=")
				assert.True(t, name == "" || slices.ContainsFunc(op.Parameters, func(p struct {
					Name, In string
					Required bool
				}) bool {
					return p.Name == name && p.In == "query"
				}), "%s: %s is not described", a.operation, name)
			}
			path, _, _ := strings.Cut(a.path, "?")
			response, body := l.do(method, prefix+path+"?surprise=1", "")
			assert.Equal(t, 400, response.StatusCode, a.operation)
			assert.Equal(t, "application/problem+json", response.Header.Get("Content-Type"))
			var v any
			require.NoError(t, json.Unmarshal(body, &v))
			assert.Empty(t, d.conforms(op.Responses["default"].Content["application/problem+json"].Schema, v, a.operation))
		}
	}
	// From the description to the handlers, and from the handlers to the description.
	ids := map[string]bool{}
	for path, ops := range d.Paths {
		for method, op := range ops {
			operation := strings.ToUpper(method) + " " + strings.TrimPrefix(path, prefix)
			assert.True(t, covered[operation], "%s is described, and nothing here asks it", operation)
			assert.False(t, ids[op.OperationID], op.OperationID)
			ids[op.OperationID] = true
		}
	}
	for _, r := range l.server.routes {
		assert.Contains(t, d.Paths[prefix+r.path], strings.ToLower(r.method))
	}
	for path, ops := range d.Paths {
		for _, method := range []string{"GET", "POST", "PUT", "DELETE", "PATCH"} {
			if _, ok := ops[strings.ToLower(method)]; ok {
				continue
			}
			response, body := l.do(method, strings.NewReplacer("{id}", "x", "{format}", "csv").Replace(path), "")
			assert.Equal(t, http.StatusMethodNotAllowed, response.StatusCode, "%s %s: %s", method, path, body)
			assert.NotEmpty(t, response.Header.Get("Allow"))
		}
	}
}

// Live values come as events, each the same as asked for once.
// While a controller heats, its input has volts and no λ: the λ is there all the same, without a value, and says why.
func TestAChannelWithoutAValueIsThere(t *testing.T) {
	l := startLogger(t, 5*time.Second)
	l.daemon.meta, l.daemon.clock = wideMeta(), 10*time.Second
	l.daemon.newest = []store.Sample{{At: 9900 * time.Millisecond, Channel: 2, Code: 2500, Flags: store.Warming}}
	n, err := l.server.Newest()
	require.NoError(t, err)
	var names []string
	for _, c := range n.Channels {
		names = append(names, c.Name)
		assert.Equal(t, "warming", c.State, c.Name)
		assert.Equal(t, c.Unit == "V", c.Value != nil, c.Name)
		assert.Equal(t, n.Channels[0].Age, c.Age, c.Name)
	}
	require.GreaterOrEqual(t, len(names), 2)
	assert.Contains(t, names[1], "lambda")
}

func TestLiveValues(t *testing.T) {
	l := startLogger(t, time.Second)
	l.daemon.meta, l.daemon.clock = wideMeta(), 10*time.Second
	l.daemon.newest = []store.Sample{{At: 9 * time.Second, Channel: 0, Code: 4000}, {At: 9900 * time.Millisecond, Channel: 2, Code: 2500}}
	response, err := l.client.Do(l.request("GET", prefix+"/live", ""))
	require.NoError(t, err)
	defer func() { _ = response.Body.Close() }()
	assert.Equal(t, "text/event-stream", response.Header.Get("Content-Type"))
	in := bufio.NewScanner(response.Body)
	var ids, events []string
	for len(events) < 2 && in.Scan() {
		if id, ok := strings.CutPrefix(in.Text(), "id: "); ok {
			ids = append(ids, id)
		}
		if data, ok := strings.CutPrefix(in.Text(), "data: "); ok {
			events = append(events, data)
			l.daemon.mu.Lock()
			l.daemon.clock += time.Second
			l.daemon.newest = []store.Sample{{At: l.daemon.clock, Channel: 2, Code: 2500}}
			l.daemon.mu.Unlock()
		}
	}
	require.Len(t, events, 2)
	assert.NotEqual(t, ids[0], ids[1], "news has another id")
	var n Now
	require.NoError(t, json.Unmarshal([]byte(events[0]), &n))
	require.NotEmpty(t, n.Channels)
	rpm := n.Channels[0]
	assert.Equal(t, "RPM", rpm.Name)
	assert.InDelta(t, 1000, *rpm.Value, 0.1) // SAE J1979: a quarter of a revolution a minute each
	assert.InDelta(t, 1, rpm.Age, 1e-6)
	for _, c := range n.Channels {
		if c.Name == "wideband lambda" {
			assert.InDelta(t, 1, *c.Value, 1e-6, "the middle of the scale")
		}
	}
}
