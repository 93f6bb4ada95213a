package access

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// certificateDays is how long a certificate is good for: some systems refuse one that is good for more than 825 days, whatever their
// user says (common practice, no source). It is renewed when less than renewDays of it are left. Programs know it by its fingerprint
// or by its key, which stays.
const certificateDays, renewDays = 820, 60

// Names are those by which this machine is reached: its own name, with .local as multicast DNS has it (RFC 6762 section 3), those of
// loopback, and more.
func Names(more []string) []string {
	names := []string{}
	add := func(name string) {
		if name = strings.ToLower(name); isName(name) && !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	if host, err := os.Hostname(); err == nil {
		short, _, _ := strings.Cut(host, ".")
		add(short)
		add(short + ".local")
		add(host)
	}
	for _, name := range append([]string{"localhost", "127.0.0.1", "::1"}, more...) {
		add(name)
	}
	return names
}

// isName tells whether a certificate can carry a name: an IP address, or a host's name of RFC 1123.
func isName(name string) bool {
	if _, err := netip.ParseAddr(name); err == nil {
		return true
	}
	if len(name) > 253 {
		return false
	}
	for label := range strings.SplitSeq(strings.ToLower(name), ".") {
		if label == "" || len(label) > 63 || strings.Trim(label, "abcdefghijklmnopqrstuvwxyz0123456789-") != "" || strings.Trim(label, "-") != label {
			return false
		}
	}
	return true
}

// Certificate reads the directory's certificate, or makes it: ECDSA P-256, signed by itself, for 820 days from now and for names,
// which may be IP addresses. Once made it stays as it is, whatever the names are, until it is nearly over: then it is renewed, with the
// same key. The error wraps ErrDamaged for a file that makes
// no sense.
func Certificate(dir string, names []string, now time.Time) (c tls.Certificate, err error) {
	if err := makeDir(dir); err != nil {
		return c, fmt.Errorf("make the certificate: %w", err)
	}
	err = locked(dir, lockWait, func() error {
		c, err = LoadCertificate(dir)
		var key *ecdsa.PrivateKey
		switch {
		case errors.Is(err, fs.ErrNotExist):
		case err != nil:
			return err
		case now.Before(clockSet), now.AddDate(0, 0, renewDays).Before(c.Leaf.NotAfter):
			return nil
		default:
			key, _ = c.PrivateKey.(*ecdsa.PrivateKey)
		}
		text, err := newCertificate(key, names, now)
		if err == nil {
			err = replace(dir, certificateFile, text)
		}
		if err != nil {
			return fmt.Errorf("make the certificate: %w", err)
		}
		c, err = LoadCertificate(dir)
		return err
	})
	if err != nil {
		return tls.Certificate{}, err
	}
	return c, nil
}

// LoadCertificate reads the directory's certificate. The error wraps fs.ErrNotExist if none was made yet, or ErrDamaged.
func LoadCertificate(dir string) (tls.Certificate, error) {
	path := filepath.Join(dir, certificateFile)
	text, err := os.ReadFile(path)
	if err != nil {
		return tls.Certificate{}, fmt.Errorf("read the certificate: %w", err)
	}
	if err := tighten(path, 0o600); err != nil {
		return tls.Certificate{}, fmt.Errorf("keep the certificate's key from others: %w", err)
	}
	c, err := tls.X509KeyPair(text, text)
	if err == nil {
		err = c.Leaf.CheckSignature(c.Leaf.SignatureAlgorithm, c.Leaf.RawTBSCertificate, c.Leaf.Signature)
	}
	if err != nil {
		return tls.Certificate{}, fmt.Errorf("%s is %w (%w): remove it, and a new certificate is made at the next start, with another fingerprint", path, ErrDamaged, err)
	}
	return c, nil
}

// newCertificate makes a certificate and, if it is given none, its key, as PEM (RFC 7468). Its form is that of RFC 5280.
func newCertificate(key *ecdsa.PrivateKey, names []string, now time.Time) (text []byte, err error) {
	if now.Before(clockSet) { // else it would be over for everybody whose clock is set
		now = clockSet
	}
	if key == nil {
		if key, err = ecdsa.GenerateKey(elliptic.P256(), rand.Reader); err != nil {
			return nil, err
		}
	}
	t := &x509.Certificate{
		SerialNumber:          new(big.Int).SetBytes(random(16)),
		Subject:               pkix.Name{CommonName: "underdash"},
		NotBefore:             now.Add(-24 * time.Hour), // for whose clock is behind
		NotAfter:              now.AddDate(0, 0, certificateDays),
		KeyUsage:              x509.KeyUsageDigitalSignature,
		ExtKeyUsage:           []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		BasicConstraintsValid: true,
	}
	for _, name := range names {
		if !isName(name) {
			return nil, fmt.Errorf("%q is neither a host's name nor an IP address", name)
		}
		if a, err := netip.ParseAddr(name); err == nil {
			t.IPAddresses = append(t.IPAddresses, net.IP(a.Unmap().AsSlice()))
		} else {
			t.DNSNames = append(t.DNSNames, name)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, t, t, key.Public(), key)
	if err != nil {
		return nil, err
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	b.Write(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
	b.Write(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private}))
	return b.Bytes(), nil
}

// Fingerprint is the SHA-256 of a certificate, in pairs of hexadecimal digits with colons between them, as browsers show it.
func Fingerprint(c tls.Certificate) string {
	if len(c.Certificate) == 0 {
		return ""
	}
	sum := sha256.Sum256(c.Certificate[0])
	pairs := make([]string, len(sum))
	for i, b := range sum {
		pairs[i] = fmt.Sprintf("%02X", b)
	}
	return strings.Join(pairs, ":")
}
