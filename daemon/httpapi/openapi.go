package httpapi

import (
	"net/http"
	"strings"
)

// methods are those that are answered at a request's path.
func (s *Server) methods(r *http.Request) (out []string) {
	for _, x := range s.routes {
		if matchesPath(prefix+x.path, r.URL.Path) {
			out = append(out, x.method)
		}
	}
	return out
}

func matchesPath(pattern, path string) bool {
	p, q := strings.Split(pattern, "/"), strings.Split(path, "/")
	if len(p) != len(q) {
		return false
	}
	for i := range p {
		if p[i] != q[i] && !strings.HasPrefix(p[i], "{") {
			return false
		}
	}
	return true
}

func (s *Server) describe(w http.ResponseWriter, _ *http.Request) error {
	return answer(w, s.Description())
}
