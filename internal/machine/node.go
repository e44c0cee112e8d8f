package machine

import (
	"encoding/base64"
	"errors"
	"fmt"
	"net/url"
	"regexp"
	"strconv"
	"strings"

	"github.com/gopcua/opcua/ua"
)

// errNamespace is wrapped when a namespace URI is not in the server's table.
var errNamespace = errors.New("namespace is not known to the server")

var guid = regexp.MustCompile(`^[0-9A-Fa-f]{8}(-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}$`)

// address is a node id whose namespace is a URI: an index belongs to one
// session only.
type address struct {
	uri  string // empty: namespace 0
	kind byte   // 'i', 's', 'g' or 'b'
	num  uint32
	text string
}

// parseAddress reads "nsu=URI;s=text", "nsu=URI;i=number" (also g= and b=) or
// "i=number" for the standard namespace. In the URI %3B stands for a semicolon
// and %25 for a percent sign (OPC 10000-6).
func parseAddress(s string) (address, error) {
	var a address
	rest := s
	if after, ok := strings.CutPrefix(rest, "nsu="); ok {
		uri, id, found := strings.Cut(after, ";")
		if !found || uri == "" {
			return a, fmt.Errorf("node id %q is incomplete, write it as in \"nsu=URI;s=name\"", clip(s))
		}
		plain, err := url.PathUnescape(uri)
		if err != nil {
			return a, fmt.Errorf("node id %q has a broken escape in its URI, write %%25 for a percent sign", clip(s))
		}
		a.uri, rest = plain, id
	} else if strings.HasPrefix(rest, "ns=") {
		return a, fmt.Errorf("node id %q uses a namespace index, which may change, write \"nsu=URI;…\" instead", clip(s))
	}
	if len(rest) < 3 || rest[1] != '=' {
		return a, fmt.Errorf("node id %q is not known, write it as in \"nsu=URI;s=name\" or \"i=2258\"", clip(s))
	}
	a.kind, a.text = rest[0], rest[2:]
	return a, a.check(s)
}

func (a *address) check(s string) error {
	switch a.kind {
	case 'i':
		n, err := strconv.ParseUint(a.text, 10, 32)
		if err != nil {
			return fmt.Errorf("node id %q has no number behind i=, write a whole number", clip(s))
		}
		a.num = uint32(n)
	case 's':
	case 'g':
		if !guid.MatchString(a.text) {
			return fmt.Errorf("node id %q has no GUID behind g=, write it as in 01234567-89ab-cdef-0123-456789abcdef", clip(s))
		}
	case 'b':
		if _, err := base64.StdEncoding.DecodeString(a.text); err != nil {
			return fmt.Errorf("node id %q has no base64 behind b=, copy it from the server's browser", clip(s))
		}
	default:
		return fmt.Errorf("node id %q is not known, write i=, s=, g= or b= before the identifier", clip(s))
	}
	return nil
}

// resolve returns the id in a session whose namespace table is given.
func (a address) resolve(table []string) (*ua.NodeID, error) {
	ns := uint16(0)
	if a.uri != "" {
		i := indexOf(table, a.uri)
		if i < 0 || i > 0xffff {
			return nil, fmt.Errorf("%q: %w", clip(a.uri), errNamespace)
		}
		ns = uint16(i)
	}
	switch a.kind {
	case 'i':
		return ua.NewNumericNodeID(ns, a.num), nil
	case 's':
		return ua.NewStringNodeID(ns, a.text), nil
	case 'g':
		return ua.NewGUIDNodeID(ns, a.text), nil
	default:
		raw, err := base64.StdEncoding.DecodeString(a.text)
		return ua.NewByteStringNodeID(ns, raw), err
	}
}

func indexOf(table []string, s string) int {
	for i, t := range table {
		if t == s {
			return i
		}
	}
	return -1
}

// clip bounds what a sentence repeats of somebody's input.
func clip(s string) string { return clipTo(120, s) }

func clipTo(most int, s string) string {
	if len(s) <= most {
		return strings.ToValidUTF8(s, "?")
	}
	return strings.ToValidUTF8(s[:most], "") + "…"
}
