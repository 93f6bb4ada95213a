package config

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

// What may be read on its way: RFC 1122 section 3.2.1.3 and RFC 4291 section 2.5.3 say which addresses never leave the machine.
func TestExposed(t *testing.T) {
	for _, row := range []struct {
		name, listen   string
		plain, exposed bool
	}{
		{"TLS on all addresses", ":8443", false, false},
		{"plain on all addresses", ":8080", true, true},
		{"plain on the wildcard", "0.0.0.0:8080", true, true},
		{"plain on an address of a network", "192.168.0.2:8080", true, true},
		{"plain on loopback", "127.0.0.1:8080", true, false},
		{"plain on another of loopback's addresses", "127.8.9.1:8080", true, false},
		{"plain on loopback, IPv6", "[::1]:8080", true, false},
		{"plain on loopback, IPv4 in IPv6", "[::ffff:127.0.0.1]:8080", true, false},
		{"plain on localhost", "LocalHost:8080", true, false},
		{"plain on a name that begins like it", "localhost.example:8080", true, true},
		{"nothing is served", "", true, false},
	} {
		t.Run(row.name, func(t *testing.T) {
			assert.Equal(t, row.exposed, Network{Listen: row.listen, Plain: row.plain}.Exposed())
		})
	}
}

func TestHosts(t *testing.T) {
	for _, right := range []string{"logger", "logger.local", "3com.example", "a-b.example", "192.168.0.1", "::1", strings.Repeat("a", 63) + ".example"} {
		assert.Empty(t, wrongHost(right), right)
	}
	for _, wrong := range []string{"", ".", "logger.", "*.example", "a..b", "-a", "a-", "a b", "ö.example", strings.Repeat("a", 64), strings.Repeat("a.", 127) + "a"} {
		assert.NotEmpty(t, wrongHost(wrong), wrong)
	}
}
