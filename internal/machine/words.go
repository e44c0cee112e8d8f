package machine

import "offsetbridge/internal/core"

// Why a session is down. The first group clears itself when its cause goes
// away; the second says that something differs from what was commissioned and
// comes with Link.Bad.
const (
	CodeDial     core.Code = "m-dial"     // no connection
	CodeProtocol core.Code = "m-protocol" // the peer does not answer as an OPC UA server
	CodeLogin    core.Code = "m-login"    // user or password refused
	CodeSessions core.Code = "m-sessions" // the server has no session left
	CodeState    core.Code = "m-state"    // the server runs, but not in state Running
	CodeLost     core.Code = "m-lost"     // the connection ended
	CodeFrozen   core.Code = "m-frozen"   // connected, but no answers
	CodeRead     core.Code = "m-read"     // a mapped node gives no usable value
	CodeDropped  core.Code = "m-dropped"  // we gave the session up after an unknown outcome
	CodeRenew    core.Code = "m-renew"    // planned new session before the channel's keys expire
	CodeSlow     core.Code = "m-slow"     // samples were not taken in time
	CodeClosed   core.Code = "m-closed"   // we were told to stop
	CodeMailbox  core.Code = "m-mailbox"  // a hand-over is open that no write of ours waits for

	CodeConfig      core.Code = "m-config"      // the options cannot be used at all
	CodeCertificate core.Code = "m-certificate" // not the pinned certificate, or it contradicts itself
	CodeExpired     core.Code = "m-expired"     // certificate outside its validity
	CodeSecurity    core.Code = "m-security"    // configured policy, mode or login is not offered
	CodeNamespace   core.Code = "m-namespace"   // a namespace URI is gone
	CodeNode        core.Code = "m-node"        // a mapped node does not exist
	CodeType        core.Code = "m-type"        // a node has another type
	CodeUnit        core.Code = "m-unit"        // a register has another unit
	CodeRange       core.Code = "m-range"       // the hard band leaves the server's range
	CodeSerial      core.Code = "m-serial"      // another machine
	CodeDemo        core.Code = "m-demo"        // simulated against real
	CodeMetadata    core.Code = "m-metadata"    // the nodes' description changed
	CodeOwner       core.Code = "m-owner"       // another program writes to the machine
)

// Why a write was not sent, refused, or left unknown.
const (
	CodeDown       core.Code = "m-down"
	CodeEpoch      core.Code = "m-epoch"
	CodeGate       core.Code = "m-gate"
	CodeCancelled  core.Code = "m-cancelled"
	CodeSendBy     core.Code = "m-send-by"
	CodeRegister   core.Code = "m-register"
	CodeBand       core.Code = "m-band"
	CodeSame       core.Code = "m-same"
	CodeInexact    core.Code = "m-inexact"
	CodeReadOnly   core.Code = "m-read-only"
	CodePreRead    core.Code = "m-pre-read"
	CodeOld        core.Code = "m-old"
	CodeTool       core.Code = "m-tool"
	CodeProgram    core.Code = "m-program"
	CodePermitted  core.Code = "m-permitted"
	CodeWindow     core.Code = "m-window"
	CodeRefused    core.Code = "m-refused"
	CodeNoAnswer   core.Code = "m-no-answer"
	CodeUncertain  core.Code = "m-uncertain"
	CodeNotYet     core.Code = "m-not-yet"
	CodeCached     core.Code = "m-cached"
	CodeNoReadBack core.Code = "m-no-read-back"
	CodeClipped    core.Code = "m-clipped"
	CodePanic      core.Code = "m-panic"
	CodeFill       core.Code = "m-fill"
	CodeNotTaken   core.Code = "m-not-taken"
)

// Words says each code in one sentence: lower case, no full stop, and what to
// do where something is to be done.
var Words = map[core.Code]string{
	CodeDial:     "the machine's server cannot be reached, check its power, the network and the endpoint",
	CodeProtocol: "the peer does not answer as an OPC UA server should, check the endpoint",
	CodeLogin:    "the machine's server refused the user or the password, correct them there or in the configuration",
	CodeSessions: "the machine's server has no session left for us, close other clients or wait a minute",
	CodeState:    "the machine's server is not running normally, wait for it or look at the control",
	CodeLost:     "the connection to the machine's server ended, it is being rebuilt",
	CodeFrozen:   "the machine's server stopped answering, the connection is being rebuilt",
	CodeRead:     "a mapped node gives no usable value, look at the control",
	CodeDropped:  "the connection was given up after a write without a certain outcome, it is being rebuilt",
	CodeRenew:    "the connection is being rebuilt before its keys expire",
	CodeSlow:     "samples of the machine were not taken in time, the connection is being rebuilt",
	CodeClosed:   "the connection was closed here",
	CodeMailbox:  "the mailbox for hand-overs is not free, it is emptied and waited for; if this stays, look at the control's program",

	CodeConfig:      "the machine's mapping cannot be used, correct the configuration",
	CodeCertificate: "the server's certificate is not the commissioned one, verify the machine before changing the pinned fingerprint",
	CodeExpired:     "the server's certificate is outside its validity, renew it and the pinned fingerprint",
	CodeSecurity:    "the server does not offer the configured protection, restore it there, it is never lowered here",
	CodeNamespace:   "a configured namespace is not known to the server, check the control's version and the node ids",
	CodeNode:        "a mapped node does not exist at the server, check the node ids",
	CodeType:        "a mapped node has another type than a register of this kind can have, check the node ids",
	CodeUnit:        "a register's unit at the control is not the configured one, check the unit before anything is written",
	CodeRange:       "the hard band reaches beyond the range the control allows, narrow the band or check the register",
	CodeSerial:      "the server belongs to another machine than the commissioned one, check the endpoint",
	CodeDemo:        "a simulated machine and a real configuration do not go together, check the endpoint",
	CodeMetadata:    "the description of the mapped nodes changed, compare them with the commissioned ones",
	CodeOwner:       "another program writes to this machine, end it, or empty the owner mark at the control if it is gone for good",

	CodeDown:       "not sent: there is no session with the machine",
	CodeEpoch:      "not sent: the session in which this was decided has ended",
	CodeGate:       "not sent: writing was stopped in the meantime",
	CodeCancelled:  "not sent: the request was withdrawn",
	CodeSendBy:     "not sent: the time allowed for sending had passed",
	CodeRegister:   "not sent: the register is not mapped, check the configuration",
	CodeBand:       "not sent: the value lies outside the register's hard band",
	CodeSame:       "not sent: the new value is the old value",
	CodeInexact:    "not sent: the register cannot hold this value exactly, check its type and step",
	CodeReadOnly:   "not sent: the server does not let this user write the register, check the user's rights at the control",
	CodePreRead:    "not sent: the machine could not be read just before",
	CodeOld:        "not sent: the register was changed at the machine in the meantime",
	CodeTool:       "not sent: the tool was changed in the meantime",
	CodeProgram:    "not sent: another program is active",
	CodePermitted:  "not sent: the machine does not permit writing now",
	CodeWindow:     "not sent: reading took longer than the allowed window",
	CodeRefused:    "the machine refused the value, the register holds the old one",
	CodeNoAnswer:   "the machine did not answer the write, the register is read again after the quarantine",
	CodeUncertain:  "the machine's answer is not certain, the register is read again after the quarantine",
	CodeNotYet:     "the machine answered good but the register still holds the old value, it is read again after the quarantine",
	CodeCached:     "the register reads as written but from before the write, it is read again after the quarantine",
	CodeNoReadBack: "the write could not be read back, the register is read again after the quarantine",
	CodeClipped:    "the machine answered good but holds another value, look at the register and its limits",
	CodePanic:      "the OPC UA library failed inside, the register is read again after the quarantine",
	CodeFill:       "not sent: the mailbox for the hand-over could not be filled",
	CodeNotTaken:   "the control's program did not take the hand-over up in time, it was withdrawn and the register is read again after the quarantine",
}
