package intake

import (
	"maps"
	"strconv"

	"offsetbridge/internal/core"
)

// Why a message was refused. The reason is recorded with the message, and the
// message is acknowledged: it would be no better the second time.
const (
	NoGauge    core.Code = "p-topic"
	Empty      core.Code = "p-empty"
	TooLarge   core.Code = "p-size"
	NotUTF8    core.Code = "p-utf8"
	NotJSON    core.Code = "p-json"
	TooDeep    core.Code = "p-depth"
	Trailing   core.Code = "p-trailing"
	TwoKeys    core.Code = "p-dup-key"
	CaseKey    core.Code = "p-case-key"
	NotFinite  core.Code = "p-nan"
	LeadZero   core.Code = "p-zero"
	Exponent   core.Code = "p-exponent"
	Comma      core.Code = "p-comma"
	NotNumber  core.Code = "p-number"
	TextNumber core.Code = "p-text-number"
	Decimals   core.Code = "p-decimals"
	NoUnit     core.Code = "p-no-unit"
	BadUnit    core.Code = "p-unit"
	Missing    core.Code = "p-missing"
	WrongType  core.Code = "p-type"
	BadText    core.Code = "p-text"
	OutOfRange core.Code = "p-range"
	BadCount   core.Code = "p-count"
	BadTime    core.Code = "p-time"
	OtherGauge core.Code = "p-gauge"
	Flood      core.Code = "p-flood"
)

// How the session with the broker stands.
const (
	Connected   core.Code = "b-up"
	Unreachable core.Code = "b-down"
	Password    core.Code = "b-password"
	Refused     core.Code = "b-refused"
	Untrusted   core.Code = "b-tls"
	Protocol    core.Code = "b-protocol"
	Denied      core.Code = "b-denied"
	Lost        core.Code = "b-lost"
	Frozen      core.Code = "b-frozen"
	Full        core.Code = "b-full"
	NewSession  core.Code = "b-session"
	Silent      core.Code = "b-silent"
	Heard       core.Code = "b-heard"
	Flooding    core.Code = "b-flood"
	Closed      core.Code = "b-closed"
)

// sentences holds the words of every code, for people.
var sentences = map[core.Code]string{
	NoGauge:    "no gauge is mapped to this topic",
	Empty:      "the message is empty",
	TooLarge:   "the message is longer than 64 KiB",
	NotUTF8:    "the message is not valid UTF-8",
	NotJSON:    "the message is not valid JSON",
	TooDeep:    "the message is nested deeper than 16 levels",
	Trailing:   "something follows the end of the message",
	TwoKeys:    "a key occurs twice in one object",
	CaseKey:    "a key differs from the mapped one only by upper and lower case",
	NotFinite:  "a number is not finite",
	LeadZero:   "a number starts with a needless zero",
	Exponent:   "the number has an exponent, send plain decimals",
	Comma:      "a comma stands inside a number, send a point as the decimal sign and no thousands separators",
	NotNumber:  "not a plain decimal number",
	TextNumber: "the number is in quotes, which the gauge's mapping does not allow",
	Decimals:   "the value has more decimals than this gauge can resolve",
	NoUnit:     "the message gives no unit",
	BadUnit:    "the unit is not known, send mm, µm, nm, in or thou",
	Missing:    "a mapped field is missing",
	WrongType:  "a mapped field has the wrong type",
	BadText:    "a text is empty, longer than 64 bytes or has unprintable characters",
	OutOfRange: "the value is outside the gauge's range",
	BadCount:   "not a whole number in the allowed range",
	BadTime:    "the time is not in the form that the gauge's mapping declares",
	OtherGauge: "the message names another gauge than the one mapped to its topic",
	Flood:      "the gauge sends faster than its allowed rate",

	Connected:   "connected to the broker and subscribed",
	Unreachable: "the broker cannot be reached, trying again",
	Password:    "the broker refuses the user name or password, correct them; trying again slowly",
	Refused:     "the broker refuses the connection, trying again slowly",
	Untrusted:   "no trusted TLS connection to the broker, check certificates and names; trying again",
	Protocol:    "the broker broke the protocol, connection closed",
	Denied:      "the broker denies a subscription, allow it in the broker's access list; trying again slowly",
	Lost:        "the connection to the broker is lost, connecting again",
	Frozen:      "the broker no longer answers, connecting again",
	Full:        "readings arrive faster than they can be recorded, disconnected until the queue has drained; the broker keeps them",
	NewSession:  "the broker no longer knows our session, readings sent while we were away may be lost",
	Silent:      "nothing heard from the gauge",
	Heard:       "the gauge is heard again",
	Flooding:    "the gauge sends faster than its allowed rate, the excess is refused and counted",
	Closed:      "disconnected from the broker",
}

// Words returns the sentence of every code of this package, for core.Register.
func Words() map[core.Code]string { return maps.Clone(sentences) }

// sentence joins the words of a code with what it was about, quoted and
// bounded; an empty detail is left out.
func sentence(c core.Code, detail string) string {
	if detail == "" {
		return sentences[c]
	}
	return sentences[c] + ": " + detail
}

// quote shows somebody's input in a sentence: bounded and without control
// characters.
func quote(s string) string {
	const most = 60
	if len(s) > most {
		return strconv.Quote(s[:most]) + "…"
	}
	return strconv.Quote(s)
}
