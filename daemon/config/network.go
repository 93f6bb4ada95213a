package config

import (
	"fmt"
	"net"
	"net/netip"
	"strconv"
	"strings"
)

// Network says what is served to the network.
type Network struct {
	Listen string   // "host:port"; without a host on all addresses; empty: nothing is served
	Names  []string // further names and addresses by which the logger is reached, beside its own
	Plain  bool     // HTTP without TLS; on an address that others reach only if the file said so expressly
}

// Unencrypted is what plain is set to where others than this machine shall be served without TLS.
const Unencrypted = "unencrypted"

// Exposed tells whether what is served can be read on its way: no TLS, on an address that others reach.
func (n Network) Exposed() bool { return n.Listen != "" && n.Plain && !n.loopback() }

// loopback tells whether nobody but this machine reaches what is served.
func (n Network) loopback() bool {
	host, _, err := net.SplitHostPort(n.Listen)
	if err != nil {
		return false
	}
	address, err := netip.ParseAddr(host)
	return err == nil && address.Unmap().IsLoopback() || strings.EqualFold(host, "localhost")
}

func readNetwork(t *table, n Network) Network {
	if v, ok := t.get("listen"); ok && v == "" {
		n.Listen = ""
	} else if n.Listen = t.text("listen", n.Listen); t.ok("listen") {
		if wrong := wrongListen(n.Listen); wrong != "" {
			t.fault("listen", "%s", wrong)
		}
	}
	n.Names = readNames(t)
	switch v, _ := t.get("plain"); {
	case !t.has("plain"):
	case v == Unencrypted:
		n.Plain = true
	case v == true:
		n.Plain = true
		if n.Exposed() && (t.ok("listen") || !t.has("listen")) {
			t.fault("plain", "on %s everybody in the network could read along, the access code too: listen on 127.0.0.1, leave plain out, or set plain = %q if that is meant",
				n.Listen, Unencrypted)
		}
	case v != false:
		t.fault("plain", "true, false or %q is wanted, not %s", Unencrypted, describe(v))
	}
	t.finish()
	return n
}

// wrongListen says what is wrong with an address to listen on; empty if nothing is.
func wrongListen(listen string) string {
	const right = `write it like ":8443" or "192.168.0.2:8443"`
	host, port, err := net.SplitHostPort(listen)
	switch n, e := strconv.Atoi(port); {
	case strings.Contains(listen, "://"):
		return fmt.Sprintf("%q is more than an address and a port: %s", listen, right)
	case err != nil || e != nil || n < 1 || n > 65535:
		return fmt.Sprintf("%q lacks a port of 1 to 65535: %s", listen, right)
	case host == "":
		return ""
	}
	return wrongHost(host)
}

func readNames(t *table) (names []string) {
	v, ok := t.get("names")
	if !ok {
		return nil
	}
	elements, ok := v.([]any)
	if !ok {
		t.fault("names", `a list of names is wanted, not %s: write names = ["logger.example"]`, describe(v))
		return nil
	}
	for i, e := range elements {
		key := fmt.Sprintf("names[%d]", i)
		name, ok := e.(string)
		if !ok {
			t.fault(key, `a name in quotes is wanted, not %s: write it like "logger.example"`, describe(e))
			continue
		}
		if wrong := wrongHost(name); wrong != "" {
			t.fault(key, "%s", wrong)
			continue
		}
		names = append(names, strings.ToLower(name))
	}
	return names
}

// wrongHost says what is wrong with a host's name or IP address; empty if nothing is. Names are those of RFC 1123 section 2.1.
func wrongHost(name string) string {
	const right = `write a name like "logger.example" or an IP address`
	if _, err := netip.ParseAddr(name); err == nil {
		return ""
	}
	switch {
	case strings.Contains(name, "/"):
		return fmt.Sprintf("%q is more than a name, without https:// and what comes behind: %s", name, right)
	case strings.Contains(name, ":"):
		return fmt.Sprintf("%q is more than a name, without a port: %s", name, right)
	case len(name) > 253:
		return fmt.Sprintf("a name of %d characters is too long: 253 are the most", len(name))
	}
	for label := range strings.SplitSeq(name, ".") {
		if label == "" || len(label) > 63 || strings.Trim(label, "-") != label || strings.Trim(strings.ToLower(label), "abcdefghijklmnopqrstuvwxyz0123456789-") != "" {
			return fmt.Sprintf("%q is no host's name: %s", name, right)
		}
	}
	return ""
}
