package machine

import (
	"errors"
	"fmt"
	"io"

	"github.com/gopcua/opcua/ua"

	"offsetbridge/internal/core"
)

// ErrClosed is returned by what is called after Close.
var ErrClosed = errors.New("the machine's connection was closed here")

// fault is why a session is down: a code, whether it means a difference from
// what was commissioned, and what exactly was seen.
type fault struct {
	code core.Code
	bad  bool
	text string
}

func (f *fault) Error() string {
	if f.text == "" {
		return Words[f.code]
	}
	return Words[f.code] + ": " + f.text
}

// mostText bounds what a link or an outcome says.
const mostText = 400

func wait(code core.Code, format string, args ...any) *fault {
	return &fault{code: code, text: clipTo(mostText, fmt.Sprintf(format, args...))}
}

func differs(code core.Code, format string, args ...any) *fault {
	return &fault{code: code, bad: true, text: clipTo(mostText, fmt.Sprintf(format, args...))}
}

// faultOf sorts an error of the library or the network.
func faultOf(err error) *fault {
	var f *fault
	if errors.As(err, &f) {
		return f
	}
	if s, ok := status(err); ok {
		switch s {
		case ua.StatusBadUserAccessDenied, ua.StatusBadIdentityTokenRejected, ua.StatusBadIdentityTokenInvalid:
			return wait(CodeLogin, "%s", statusText(s))
		case ua.StatusBadTooManySessions:
			return wait(CodeSessions, "%s", statusText(s))
		case ua.StatusBadTimeout:
			return wait(CodeFrozen, "no answer in time")
		case ua.StatusBadSecurityChecksFailed, ua.StatusBadSecurityModeRejected, ua.StatusBadSecurityPolicyRejected,
			ua.StatusBadCertificateUntrusted, ua.StatusBadCertificateInvalid:
			return wait(CodeProtocol, "the server refuses our certificate or channel, make it trust us: %s", statusText(s))
		}
		return wait(CodeProtocol, "%s", statusText(s))
	}
	if errors.Is(err, io.EOF) {
		return wait(CodeLost, "the server closed the connection")
	}
	return wait(CodeLost, "%v", err)
}

// status returns the OPC UA status that err carries.
func status(err error) (ua.StatusCode, bool) {
	var s ua.StatusCode
	ok := errors.As(err, &s)
	return s, ok
}

// statusText is the status's name and number, without the library's prose.
func statusText(s ua.StatusCode) string {
	if d, ok := ua.StatusCodes[s]; ok {
		return fmt.Sprintf("%s (0x%08X)", d.Name, uint32(s))
	}
	return fmt.Sprintf("status 0x%08X", uint32(s))
}

func isGood(s ua.StatusCode) bool { return uint32(s)>>30 == 0 }
func isBad(s ua.StatusCode) bool  { return uint32(s)>>30 >= 2 }
