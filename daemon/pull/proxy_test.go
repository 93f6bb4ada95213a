package pull

import (
	"crypto/tls"
	"io"
	"net"
	"net/http/httptest"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// proxy forwards TCP connections, and drops every third in the middle of what comes back.
type proxy struct {
	net.Listener
	to      string
	dropped atomic.Int64
	wg      sync.WaitGroup
}

func newProxy(t *testing.T, to string) *proxy {
	t.Helper()
	n, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	p := &proxy{Listener: n, to: to}
	p.wg.Go(p.run)
	t.Cleanup(func() {
		_ = p.Close()
		p.wg.Wait()
	})
	return p
}

func (p *proxy) run() {
	for n := 1; ; n++ {
		c, err := p.Accept()
		if err != nil {
			return
		}
		p.wg.Go(func() { p.forward(c, n%3 == 0) })
	}
}

func (p *proxy) forward(client net.Conn, drop bool) {
	server, err := net.Dial("tcp", p.to)
	if err != nil {
		_ = client.Close()
		return
	}
	var wg sync.WaitGroup
	wg.Go(func() {
		_, _ = io.Copy(server, client)
		_ = server.Close()
	})
	if drop {
		if n, _ := io.CopyN(client, server, 20_000); n == 20_000 { // behind the handshake, in the middle of a file
			p.dropped.Add(1)
		}
	} else {
		_, _ = io.Copy(client, server)
	}
	_ = client.Close()
	wg.Wait()
}

func TestThroughAProxyThatDropsEveryThirdConnection(t *testing.T) {
	for _, c := range []struct{ name, format string }{{"sessions", ""}, {"exports", "csv"}} {
		t.Run(c.name, func(t *testing.T) {
			l := newLogger(t)
			l.closing = true // so that there are many connections
			server := httptest.NewUnstartedServer(l)
			server.TLS = &tls.Config{Certificates: []tls.Certificate{l.certificate}}
			server.StartTLS()
			defer server.Close()
			p := newProxy(t, server.Listener.Addr().String())
			to := t.TempDir()
			pull, err := New("https://"+p.Addr().String(), Options{To: to, Format: c.format, Fingerprint: l.fingerprint(), Code: rightCode, Name: "a test"})
			require.NoError(t, err)
			report, err := pull.Run(t.Context())
			require.NoError(t, err)
			assert.Len(t, report.Brought, 3)
			assert.Positive(t, p.dropped.Load(), "connections dropped in the middle")
			if c.format == "" {
				l.same(t, to)
			} else {
				l.sameExports(t, to)
			}
		})
	}
}
