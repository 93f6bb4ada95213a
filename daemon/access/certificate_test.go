package access

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/tls"
	"crypto/x509"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestCertificateIsMadeOnce(t *testing.T) {
	dir, now := newDir(t), time.Now()
	_, err := LoadCertificate(dir)
	require.ErrorIs(t, err, fs.ErrNotExist)
	c, err := Certificate(dir, []string{"logger", "logger.local", "10.42.0.1", "::1"}, now)
	require.NoError(t, err)
	key, ok := c.Leaf.PublicKey.(*ecdsa.PublicKey)
	require.True(t, ok)
	assert.Equal(t, elliptic.P256(), key.Curve)
	assert.True(t, c.Leaf.NotBefore.Before(now))
	assert.WithinDuration(t, now.AddDate(0, 0, 820), c.Leaf.NotAfter, time.Second)
	assert.Less(t, c.Leaf.NotAfter.Sub(c.Leaf.NotBefore), 825*24*time.Hour)
	assert.False(t, c.Leaf.IsCA)

	again, err := Certificate(dir, []string{"another"}, now.AddDate(0, 0, 755))
	require.NoError(t, err)
	assert.Equal(t, c.Certificate, again.Certificate)
	loaded, err := LoadCertificate(dir)
	require.NoError(t, err)
	assert.Equal(t, Fingerprint(c), Fingerprint(loaded))

	unset, err := Certificate(dir, nil, time.Unix(0, 0))
	require.NoError(t, err)
	assert.Equal(t, c.Certificate, unset.Certificate, "a clock that is not set renews nothing")
	renewed, err := Certificate(dir, []string{"another"}, now.AddDate(0, 0, 765))
	require.NoError(t, err)
	assert.NotEqual(t, Fingerprint(c), Fingerprint(renewed))
	assert.Equal(t, c.Leaf.RawSubjectPublicKeyInfo, renewed.Leaf.RawSubjectPublicKeyInfo, "the key stays")
	assert.Equal(t, []string{"another"}, renewed.Leaf.DNSNames)
	assert.WithinDuration(t, now.AddDate(0, 0, 765+820), renewed.Leaf.NotAfter, time.Second)

	other, err := Certificate(newDir(t), nil, now)
	require.NoError(t, err)
	assert.NotEqual(t, Fingerprint(c), Fingerprint(other), "every logger has its own")
	assert.Empty(t, Fingerprint(tls.Certificate{}))
}

// The names are held against what crypto/tls does on the client's side.
func TestCertificateNames(t *testing.T) {
	c, err := Certificate(newDir(t), Names([]string{"logger.example", "10.42.0.1", "logger.example"}), time.Now())
	require.NoError(t, err)
	roots := x509.NewCertPool()
	roots.AddCert(c.Leaf)
	for _, row := range []struct {
		name string
		ok   bool
	}{
		{"localhost", true}, {"127.0.0.1", true}, {"::1", true}, {"logger.example", true}, {"LOGGER.example", true}, {"10.42.0.1", true},
		{"evil.example", false}, {"a.logger.example", false}, {"10.42.0.2", false},
	} {
		t.Run(row.name, func(t *testing.T) {
			l, err := tls.Listen("tcp", "127.0.0.1:0", &tls.Config{Certificates: []tls.Certificate{c}})
			require.NoError(t, err)
			var s sync.WaitGroup
			s.Go(func() {
				conn, err := l.Accept()
				if err != nil {
					return
				}
				_, _ = io.Copy(io.Discard, conn) // until the client closes
				_ = conn.Close()
			})
			conn, err := tls.Dial("tcp", l.Addr().String(), &tls.Config{RootCAs: roots, ServerName: row.name})
			if err == nil {
				_ = conn.Close()
			}
			_ = l.Close()
			s.Wait()
			if row.ok {
				require.NoError(t, err)
			} else {
				require.ErrorAs(t, err, new(x509.HostnameError))
			}
		})
	}
	if host, err := os.Hostname(); err == nil && isName(host) {
		short, _, _ := strings.Cut(strings.ToLower(host), ".")
		assert.Contains(t, c.Leaf.DNSNames, short)
		assert.Contains(t, c.Leaf.DNSNames, short+".local")
	}
	for _, wrong := range []string{"", "a b", "*.example", "https://logger.example", "ö.example", strings.Repeat("a", 64), strings.Repeat("a.", 127) + "a"} {
		_, err := Certificate(newDir(t), []string{wrong}, time.Now())
		require.ErrorContains(t, err, "neither a host's name nor an IP address", wrong)
	}
}

func TestCertificateOfABoardWhoseClockIsNotSet(t *testing.T) {
	c, err := Certificate(newDir(t), nil, time.Unix(0, 0))
	require.NoError(t, err)
	assert.True(t, c.Leaf.NotAfter.After(clockSet.AddDate(2, 0, 0)))
	assert.True(t, c.Leaf.NotBefore.Before(clockSet))
}

// OpenSSL reads the certificate and says the same of it.
func TestCertificateByOpenSSL(t *testing.T) {
	tool, err := exec.LookPath("openssl")
	if err != nil {
		require.Empty(t, os.Getenv("UNDERDASH_NO_SKIP"), "openssl is needed")
		t.Skip("openssl is not installed here, so the certificate is not read by another program")
	}
	dir := newDir(t)
	c, err := Certificate(dir, []string{"logger.local", "10.42.0.1"}, time.Now())
	require.NoError(t, err)
	path := filepath.Join(dir, certificateFile)
	out, err := exec.CommandContext(t.Context(), tool, "x509", "-in", path, "-noout", "-fingerprint", "-sha256", "-text").CombinedOutput()
	require.NoError(t, err, "%s", out)
	assert.Contains(t, strings.ToLower(string(out)), "sha256 fingerprint="+strings.ToLower(Fingerprint(c)))
	assert.Contains(t, string(out), "DNS:logger.local, IP Address:10.42.0.1")
	assert.Contains(t, string(out), "prime256v1")
	out, err = exec.CommandContext(t.Context(), tool, "verify", "-CAfile", path, "-x509_strict", "-check_ss_sig", path).CombinedOutput()
	require.NoError(t, err, "%s", out)
}

func TestADamagedCertificateIsNotServed(t *testing.T) {
	for _, row := range []struct {
		name   string
		damage func([]byte) []byte
	}{
		{"empty", func([]byte) []byte { return nil }},
		{"half", func(text []byte) []byte { return text[:len(text)/2] }},
		{"no key", func(text []byte) []byte { return text[:bytes.Index(text, []byte("-----BEGIN PRIVATE"))] }},
		{"a letter changed in it", func(text []byte) []byte {
			at := bytes.Index(text, []byte("-----END CERTIFICATE")) - 90
			text[at] ^= 3
			return text
		}},
		{"text", func([]byte) []byte { return []byte("hello") }},
	} {
		t.Run(row.name, func(t *testing.T) {
			dir := newDir(t)
			c, err := Certificate(dir, nil, time.Now())
			require.NoError(t, err)
			path := filepath.Join(dir, certificateFile)
			text, err := os.ReadFile(path)
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(path, row.damage(text), 0o600))
			got, err := Certificate(dir, nil, time.Now())
			require.ErrorIs(t, err, ErrDamaged)
			assert.ErrorContains(t, err, path)
			assert.ErrorContains(t, err, "remove it")
			assert.NotContains(t, err.Error(), "\n")
			assert.Empty(t, got.Certificate)

			require.NoError(t, os.Remove(path))
			anew, err := Certificate(dir, nil, time.Now())
			require.NoError(t, err)
			assert.NotEqual(t, Fingerprint(c), Fingerprint(anew))
		})
	}
}
