package config

import (
	"encoding/xml"
	"errors"
	"io"
	"net"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const announcement = "../../deploy/avahi/underdash.service"

// The announcement's form is that of avahi.service(5); names and texts are bounded by RFC 6763 and RFC 6335.
func TestAnnouncement(t *testing.T) {
	text, err := os.ReadFile(announcement)
	require.NoError(t, err)
	wellFormed(t, string(text))
	var group struct {
		XMLName xml.Name
		Name    struct {
			Text      string `xml:",chardata"`
			Wildcards string `xml:"replace-wildcards,attr"`
		} `xml:"name"`
		Services []struct {
			Type     []string `xml:"type"`
			Subtypes []string `xml:"subtype"`
			Port     []string `xml:"port"`
			Texts    []string `xml:"txt-record"`
			Domain   []string `xml:"domain-name"`
			Host     []string `xml:"host-name"`
		} `xml:"service"`
	}
	require.NoError(t, xml.Unmarshal(text, &group))
	assert.Equal(t, "service-group", group.XMLName.Local)
	assert.Equal(t, "yes", group.Name.Wildcards)
	assert.Contains(t, group.Name.Text, "%h", "two loggers in one network have different names")
	assert.LessOrEqual(t, len(strings.ReplaceAll(group.Name.Text, "%h", strings.Repeat("h", 40))), 63, "RFC 6763 section 4.1.1")

	require.Len(t, group.Services, 1)
	s := group.Services[0]
	require.Equal(t, []string{"_https._tcp"}, s.Type)
	_, port, err := net.SplitHostPort(Default().Network.Listen)
	require.NoError(t, err)
	assert.Equal(t, []string{port}, s.Port, "the default of the configuration")
	assert.Empty(t, s.Domain)
	assert.Empty(t, s.Host)

	require.Len(t, s.Subtypes, 1)
	label, parent, ok := strings.Cut(s.Subtypes[0], "._sub.")
	require.True(t, ok, "RFC 6763 section 7.1")
	assert.Equal(t, s.Type[0], parent)
	own, ok := strings.CutPrefix(label, "_")
	assert.True(t, ok)
	assert.LessOrEqual(t, len(own), 15, "RFC 6335 section 5.1")
	assert.Empty(t, strings.Trim(own, "abcdefghijklmnopqrstuvwxyz0123456789-"))

	allowed := map[string]string{"path": "/", "api": "/api/v1"} // whoever adds one asks first whether everybody may read it
	for _, record := range s.Texts {
		assert.LessOrEqual(t, len(record), 255, "RFC 6763 section 6.1")
		key, value, ok := strings.Cut(record, "=")
		assert.True(t, ok, record)
		assert.LessOrEqual(t, len(key), 9, "RFC 6763 section 6.4")
		assert.Equal(t, allowed[key], value, "%s in the text records", key)
	}
	assert.Len(t, s.Texts, len(allowed))
}

// wellFormed fails for text that is no XML from end to end, and for elements that the format does not have.
func wellFormed(t *testing.T, text string) {
	t.Helper()
	known := strings.Fields("service-group name service type subtype domain-name host-name port txt-record")
	for d := xml.NewDecoder(strings.NewReader(text)); ; {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return
		}
		require.NoError(t, err)
		if e, ok := token.(xml.StartElement); ok {
			assert.Contains(t, known, e.Name.Local)
		}
	}
}
