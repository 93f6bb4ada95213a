package httpapi

import (
	"errors"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"underdash/daemon/access"
)

// TokenRequest asks for a token.
type TokenRequest struct {
	Code string `json:"code"` // the access code
	Name string `json:"name"` // by which the program can be told from others
}

// Token is what a program sends with every request: Authorization: Bearer TOKEN.
type Token struct {
	Token string `json:"token"`
}

func (s *Server) grant(w http.ResponseWriter, r *http.Request) error {
	var q TokenRequest
	if err := take(w, r, &q); err != nil {
		return err
	}
	token, err := s.o.Access.Grant(q.Code, r.RemoteAddr, q.Name)
	if err != nil {
		return err
	}
	return answerWith(w, http.StatusCreated, Token{token})
}

func (s *Server) passes(w http.ResponseWriter, _ *http.Request) error {
	list := s.o.Access.List()
	if list == nil {
		list = []access.Pass{}
	}
	return answer(w, Passes{list})
}

func (s *Server) revoke(w http.ResponseWriter, r *http.Request) error {
	if err := s.o.Access.Revoke(r.PathValue("id")); err != nil {
		return err
	}
	return nothing(w)
}

// signIn lets a browser in, or leads back to the form.
func (s *Server) signIn(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		w.Header().Set("Connection", "close")
		return refuse(http.StatusBadRequest, "", "the form did not come whole: %v", err)
	}
	next := local(r.PostForm.Get("next"))
	cookie, until, err := s.o.Access.SignIn(r.PostForm.Get("code"), r.RemoteAddr, r.UserAgent())
	slow := access.SlowError{}
	switch {
	case errors.As(err, &slow):
		seeOther(w, "/sign-in?wait="+strconv.Itoa(int(math.Ceil(slow.Wait.Seconds())))+"&next="+url.QueryEscape(next))
		return nil
	case errors.Is(err, access.ErrWrong):
		seeOther(w, "/sign-in?wrong=1&next="+url.QueryEscape(next))
		return nil
	case err != nil:
		return err
	}
	// MaxAge and not Expires: the board's clock may be years behind the browser's.
	http.SetCookie(w, &http.Cookie{Name: cookieName, Value: cookie, Path: "/", MaxAge: int(until.Sub(s.o.Now()).Seconds()),
		HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteStrictMode})
	seeOther(w, next)
	return nil
}

func (s *Server) signOut(w http.ResponseWriter, r *http.Request) error {
	if err := s.o.Access.Revoke(passOf(r.Context()).ID); err != nil {
		return err
	}
	http.SetCookie(w, &http.Cookie{Name: cookieName, Path: "/", MaxAge: -1, HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteStrictMode})
	seeOther(w, "/sign-in")
	return nil
}

// local is a path of this logger to be led to, "/" if it is anything else.
func local(path string) string {
	u, err := url.Parse(path)
	if err != nil || u.Scheme != "" || u.Host != "" || u.Opaque != "" || u.User != nil || tricky(u.Path) || strings.ContainsAny(path, "\\\r\n\t") || len(path) > mostPath {
		return "/"
	}
	return path
}
