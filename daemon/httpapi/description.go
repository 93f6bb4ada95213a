package httpapi

import (
	"net/http"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
)

// object is a JSON object.
type object map[string]any

// Description is the OpenAPI 3.1 document (OpenAPI Specification 3.1.1) of all routes, made of the table that they are
// answered by and of the types that are sent.
func (s *Server) Description() any {
	t := &types{schemas: object{}}
	paths := object{}
	for _, r := range s.routes {
		p, _ := paths[prefix+r.path].(object)
		if p == nil {
			p = object{}
			paths[prefix+r.path] = p
		}
		p[strings.ToLower(r.method)] = r.operation(t)
	}
	t.of(reflect.TypeFor[Problem]())
	return object{
		"openapi": "3.1.1",
		"info": object{"title": "Drive logger", "version": "1",
			"description": "Sessions, exports, calibration and live values of a logger. Whoever asks needs a token (Authorization: Bearer) or a signed-in browser's cookie. Errors are problem documents (RFC 9457); their types are about:blank or " + problemURN + "KIND, with a KIND of " + joined(kindNames()) + "."},
		"paths":    paths,
		"security": []object{{"token": []string{}}, {"browser": []string{}}},
		"components": object{"schemas": t.schemas, "securitySchemes": object{
			"token":   object{"type": "http", "scheme": "bearer"},
			"browser": object{"type": "apiKey", "in": "cookie", "name": cookieName},
		}},
	}
}

func kindNames() (names []string) {
	for k := range kinds {
		names = append(names, k)
	}
	slices.Sort(names)
	return names
}

func (r route) operation(t *types) object {
	op := object{"summary": r.about, "operationId": r.id()}
	if ps := r.parameters(); len(ps) > 0 {
		op["parameters"] = ps
	}
	if r.body != nil {
		op["requestBody"] = object{"required": true, "content": object{"application/json": object{"schema": t.of(reflect.TypeOf(r.body))}}}
	}
	if r.path == "/tokens" && r.method == http.MethodPost {
		op["security"] = []object{}
	}
	failed := object{"description": "A problem.", "content": object{"application/problem+json": object{"schema": t.of(reflect.TypeFor[Problem]())}}}
	if len(r.problems) > 0 {
		failed["description"] = "A problem, of the kinds " + joined(r.problems) + " among others."
	}
	out := object{"default": failed}
	switch good := (object{"description": r.about}); {
	case r.answer != nil:
		good["content"] = object{"application/json": object{"schema": t.of(reflect.TypeOf(r.answer))}}
		out[strconv.Itoa(max(r.status, http.StatusOK))] = good
	case r.content != "":
		good["content"] = object{r.content: object{}}
		out["200"] = good
	default:
		out["204"] = object{"description": "It is done."}
	}
	if r.ranges {
		out["206"] = object{"description": "The part that was asked for with Range.", "content": object{r.content: object{}}}
		out["304"] = object{"description": "It is the one of If-None-Match."}
		out["416"] = object{"description": "There is no such part; Content-Range says how long it is."}
	}
	op["responses"] = out
	return op
}

// id is a name for programs that make code of the description: getSessionsIdFile.
func (r route) id() string {
	name := strings.ToLower(r.method)
	for word := range strings.FieldsFuncSeq(r.path, func(c rune) bool { return strings.ContainsRune("/{}.", c) }) {
		name += strings.ToUpper(word[:1]) + word[1:]
	}
	return name
}

func (r route) parameters() (ps []object) {
	for part := range strings.SplitSeq(r.path, "/") {
		if name, ok := strings.CutPrefix(part, "{"); ok {
			ps = append(ps, object{"name": strings.TrimSuffix(name, "}"), "in": "path", "required": true, "schema": object{"type": "string"}})
		}
	}
	for _, p := range r.query {
		schema := object{"type": p.kind}
		if p.kind == "array" {
			schema["items"] = object{"type": "string"}
		}
		ps = append(ps, object{"name": p.name, "in": "query", "description": p.about, "required": p.required, "schema": schema})
	}
	return ps
}

// types makes JSON schemas (draft 2020-12) of Go types as encoding/json writes them.
type types struct{ schemas object }

func (t *types) of(x reflect.Type) object {
	switch {
	case x == reflect.TypeFor[time.Time]():
		return object{"type": "string", "format": "date-time"}
	case plotted[x.String()] != nil:
		return plotted[x.String()]
	}
	switch x.Kind() {
	case reflect.Pointer:
		return object{"anyOf": []object{t.of(x.Elem()), {"type": "null"}}}
	case reflect.Bool:
		return object{"type": "boolean"}
	case reflect.String:
		return object{"type": "string"}
	case reflect.Float64, reflect.Float32:
		return object{"type": "number"}
	case reflect.Slice, reflect.Array:
		if x.Elem().Kind() == reflect.Uint8 {
			return object{"type": "string", "contentEncoding": "base64"}
		}
		return object{"type": []string{"array", "null"}, "items": t.of(x.Elem())}
	case reflect.Map:
		return object{"type": "object"}
	case reflect.Interface:
		return object{}
	case reflect.Struct:
		return t.named(x)
	}
	return object{"type": "integer"}
}

// plotted are the schemas of types that write themselves.
var plotted = map[string]object{
	"plot.Span": {"type": "array", "description": `[from, to, "state"] or [from, to, number or null, "text"]`},
}

func (t *types) named(x reflect.Type) object {
	name := strings.ReplaceAll(x.String(), "httpapi.", "")
	ref := object{"$ref": "#/components/schemas/" + name}
	if t.schemas[name] != nil {
		return ref
	}
	fields, required := object{}, []string{}
	out := object{"type": "object", "properties": fields, "additionalProperties": false}
	t.schemas[name] = out
	t.fields(x, fields, &required)
	if x.String() == "plot.Series" {
		fields["columns"] = object{"type": "array", "description": "[t, min, max], or [t, number] where both are the same; null before a break"}
	}
	if len(required) > 0 {
		slices.Sort(required)
		out["required"] = required
	}
	return ref
}

func (t *types) fields(x reflect.Type, fields object, required *[]string) {
	for i := range x.NumField() {
		f := x.Field(i)
		name, rest, _ := strings.Cut(f.Tag.Get("json"), ",")
		switch {
		case name == "-" || !f.IsExported() && !f.Anonymous:
		case f.Anonymous && name == "":
			t.fields(f.Type, fields, required)
		default:
			if name == "" {
				name = f.Name
			}
			fields[name] = t.of(f.Type)
			if !strings.Contains(rest, "omit") {
				*required = append(*required, name)
			}
		}
	}
}
