package core

// Code is a short reason that events carry instead of prose; Words turns it
// into the sentence a person reads.
type Code string

// Words returns the sentence for a code: lower case, no full stop, saying what
// to do where something is to be done.
func (c Code) Words() string {
	if w, ok := words[c]; ok {
		return w
	}
	return string(c)
}

// AddWords adds the sentences of an edge's own codes. It is called once, while
// the program is put together, before anything runs.
func AddWords(more map[Code]string) {
	for c, w := range more { // any order: each word is on its own
		if old, ok := words[c]; ok && old != w {
			panic("core: code " + string(c) + " has two meanings")
		}
		words[c] = w
	}
}

// What the admit stage finds.
const (
	codeNoCharacteristic Code = "no-char"
	codeRetained         Code = "retained"
	codeRepeated         Code = "repeated"
	codeLate             Code = "late"
	codeNotProduction    Code = "not-prod"
	codeWrongGauge       Code = "gauge"
	codeImplausible      Code = "odd"
	codeHead             Code = "head"
	codeFrozen           Code = "frozen"
	codeRing             Code = "ring"
)

// What a check of a gauge on its standard finds.
const (
	codeAsFound   Code = "as-found"
	codeWrongRing Code = "wrong-ring"
)

// What the attribute stage finds.
const (
	codeAhead     Code = "ahead"
	codeNotCutYet Code = "not-cut"
	codeNoRecord  Code = "no-record"
	codeNoPart    Code = "no-part"
	codeNoTask    Code = "no-task"
	codeProgram   Code = "program"
	codeOldTool   Code = "old-tool"
	doubtGap      Code = "gap"
	doubtChanged  Code = "changed"
)

// What the estimate and propose stages find.
const (
	codeSuspect        Code = "suspect"
	codeIgnored        Code = "ignored"
	codeStep           Code = "step"
	codeFew            Code = "few"
	codeNoEffect       Code = "no-effect"
	codeInFlight       Code = "in-flight"
	codeApprovedWaits  Code = "approved"
	codeDeadBand       Code = "dead-band"
	codeRejectedBefore Code = "rejected"
	codeStands         Code = "stands"
	codeUnsolved       Code = "unsolved"
	codeHarms          Code = "harms"
	codeAtBand         Code = "at-band"
)

// Where a proposal goes.
const (
	routeObserve Code = "observe"
	routeHeld    Code = "held"
	routeRefused Code = "refused"
	routeWrite   Code = "write"
	routeQueue   Code = "queue"
)

// Why a proposal ended, or a loop is on hold.
const (
	causeRestart         Code = "restart"
	causeConfig          Code = "config"
	causeHeld            Code = "on-hold"
	causeExpired         Code = "expired"
	causeTool            Code = "tool"
	causeSuperseded      Code = "newer"
	causeNotNeeded       Code = "settled"
	causeRejected        Code = "no"
	causeLowered         Code = "less"
	causeForeign         Code = "foreign"
	causeByHand          Code = "by-hand"
	causeHoldAll         Code = "hold-all"
	causeImplausible     Code = "odd-row"
	causeResponse        Code = "response"
	causeRefused         Code = "too-far"
	causeCounter         Code = "counter-back"
	causeGeneration      Code = "tool-back"
	causeForeignJump     Code = "foreign-jump"
	causeForeignTwice    Code = "foreign-twice"
	causeForeignInWindow Code = "foreign-window"
	causeWriteRefused    Code = "write-refused"
	causeDiffers         Code = "differs"
	causeJournal         Code = "journal"
	causeFrozen          Code = "frozen-row"
	causeBeyond          Code = "beyond-row"
	causeSwing           Code = "swing"
	causeAsFound         Code = "gauge-off"
	causeHalfDone        Code = "half-done"
	causeProgram              = codeProgram
)

// codeNotApplied is why a write is told as not made that was found not to have acted.
const codeNotApplied Code = "not-applied"

// Why a person's action was not accepted.
const (
	declineGone        Code = "gone"
	declineDecided     Code = "decided"
	declineDigest      Code = "digest"
	declineRole        Code = "role"
	declineHeld        Code = "held-now"
	declineExpired     Code = "too-late"
	declineReason      Code = "reason"
	declineNoLoop      Code = "no-loop"
	declineHeldAlready Code = "held-already"
	declineNotHeld     Code = "not-held"
	declineCause       Code = "cause"
	declineUnsound     Code = "unsound"
	declineNoItem      Code = "no-item"
	declineNoMachine   Code = "no-machine"
	declineSmaller     Code = "smaller"
	declineTogether    Code = "several-registers"
	declineBounds      Code = "bounds"
	declineAgain       Code = "again"
	declineProgram     Code = "a-person"
	codeLowered        Code = "lowered"
	codeTwo            Code = "two"
)

// What a ready proposal waits for.
const (
	waitConfig     Code = "w-config"
	waitReading    Code = "w-reading" // tells only: what is decided without readings is nothing
	waitLink       Code = "w-link"
	waitSample     Code = "w-sample"
	waitStale      Code = "w-stale"
	waitUnknown    Code = "w-unknown"
	waitInFlight   Code = "w-flight"
	waitForeign    Code = "w-foreign"
	waitNewPart    Code = "w-part"
	waitHeld       Code = "w-held"
	waitTool       Code = "w-tool"
	waitProgram    Code = "w-program"
	waitCutting    Code = "w-cutting"
	waitVerify     Code = "w-verify"
	waitGaugeDue   Code = "w-calibration"
	waitRingDue    Code = "w-ring"
	waitGaugeOff   Code = "w-off"
	waitNeverSet   Code = "w-never-set"
	waitSetTime    Code = "w-set-time"
	waitSetParts   Code = "w-set-parts"
	waitSetClimate Code = "w-set-climate"
)

var words = map[Code]string{
	codeNoCharacteristic: "no loop of this machine has a characteristic of that name, correct the gauge's mapping or add the characteristic",
	codeRetained:         "the broker replayed a retained message, recorded but not used",
	codeRepeated:         "the same reading came twice, used once",
	codeLate:             "the reading is older than one already used, recorded but not used",
	codeNotProduction:    "not a production part, recorded but not used",
	codeWrongGauge:       "this gauge is not listed for the characteristic, add it there or correct the mapping",
	codeImplausible:      "outside the plausible window, measure again and check unit, characteristic and part",

	codeAhead:     "waits for the machine's record of its cut",
	codeNotCutYet: "the machine has not counted that part by far, check the part number",
	codeNoRecord:  "the machine has no record of that cut, so the register in force is unknown",
	codeNoPart:    "the reading names no part that this machine counts",
	codeNoTask:    "no measuring task is open for this gauge, set one or assign the reading by hand",
	codeProgram:   "another program was in force",
	codeOldTool:   "cut with an earlier tool than the one in the machine now: it tells how tools wear and moves nothing",
	doubtGap:      "the machine was out of sight while this part was cut",
	doubtChanged:  "a register, tool or program changed while this part may have been cut",

	codeSuspect:        "far from what was expected, measure the same part again",
	codeIgnored:        "kept beside the estimate: the part was cut again, or is older than the newest one, or its readings are too far apart",
	codeStep:           "a confirmed jump, taken as the new level",
	codeFew:            "more readings are needed before a correction",
	codeNoEffect:       "the register does not change this size, advice only",
	codeInFlight:       "the last change is still being written",
	codeApprovedWaits:  "an approved change waits for the machine to stand still",
	codeDeadBand:       "inside the dead band, nothing to change",
	codeRejectedBefore: "a person rejected this change, it comes back when something changes",
	codeStands:         "the open proposal still stands",
	codeUnsolved:       "no change of these registers proves to be the best one, check effects and tolerances",
	codeHarms:          "brings one size nearer to its aim and moves another away, a person decides",
	codeAtBand:         "a register is at the end of its hard band and the others make up for it, a person decides",

	routeObserve: "this loop only observes",
	routeHeld:    "the loop is on hold",
	routeRefused: "beyond what anybody may approve here",
	routeWrite:   "inside the preset bounds",
	routeQueue:   "a person decides",

	"band":        "outside the hard band of the register",
	"grid":        "not a whole number of register steps",
	"step-hard":   "larger than the largest step anybody may approve",
	"first-risk":  "the next part could come out beyond the least-material limit",
	"step-setter": "larger than the operator's step, a setter decides",
	"step-auto":   "larger than the automatic step, a person decides",
	"first-part":  "first part after a tool or set-up change, a setter decides",
	"confirm":     "every change of this loop needs a person",
	"back-off":    "cuts less than what a person set, a person decides",
	"chasing":     "a second large change the same way in a few parts: look for a chipped edge or a shifted part, a person decides",
	"return":      "the tool is new: back to where tools start",
	"still":       "the machine has stood still and cooled, a person decides",
	"budget":      "the travel budget of this tool is used up, a person decides",
	"unproven":    "the direction of the effect is not proven yet, a person decides",

	causeRestart:         "the program was restarted, decide again",
	causeConfig:          "the loop's configuration changed",
	causeHeld:            "the loop went on hold",
	causeExpired:         "nobody decided in time, nothing was changed",
	causeTool:            "the tool was changed",
	causeSuperseded:      "replaced by a newer proposal",
	causeNotNeeded:       "no longer needed, the size is inside the dead band",
	causeRejected:        "rejected by a person",
	causeLowered:         "a person asked for less, a smaller change is proposed in its place",
	causeForeign:         "the register was changed by somebody else",
	causeByHand:          "held by a person",
	causeHoldAll:         "everything was put on hold",
	causeImplausible:     "several implausible readings in a row, check gauge, part and characteristic",
	causeResponse:        "the size does not answer as commanded, check sign, register, radius or diameter, and that the program calls the offset",
	causeRefused:         "the wanted change lies beyond the bounds, find the cause before changing the register by hand",
	causeCounter:         "the machine's part counter went back, check which parts were cut and resume",
	causeGeneration:      "a tool's generation went back, check the tool table and resume",
	causeForeignJump:     "somebody changed the register by more than the setter's step, look at the control and resume",
	causeForeignTwice:    "the register was changed from elsewhere repeatedly, find the second writer and resume",
	causeForeignInWindow: "the register was changed by somebody else while a write was under way, look at the control and resume",
	causeWriteRefused:    "the machine refused the write, check access rights and limits at the control",
	causeHalfDone:        "a correction of several registers stopped half way, look at the registers at the control and resume: the next reading works out the rest",
	causeDiffers:         "the register reads neither the old nor the new value, look at the control and resume",

	causeJournal: "the journal is damaged, restore it from a backup or start a new one, and resume by a person's decision",

	codeNotApplied: "the write did not act, the register still holds the old value",

	declineGone:        "there is no such open proposal, it may have been replaced or have ended",
	declineDecided:     "the proposal is decided already",
	declineDigest:      "the proposal is not the one that was shown, look again",
	declineRole:        "your role may not do this, ask somebody with the right",
	declineHeld:        "the loop is on hold, resume it first",
	declineExpired:     "the proposal has expired",
	declineReason:      "a reason is needed",
	declineNoLoop:      "there is no loop of that name",
	declineHeldAlready: "already on hold, the first cause stands",
	declineNotHeld:     "not on hold",
	declineCause:       "the cause on hold is another one, look again",
	declineUnsound:     "the configuration does not hold together, the old one stays in force",

	waitConfig:    "waits for a configuration",
	waitLink:      "waits for the connection to the machine",
	waitSample:    "waits for the first look at the machine",
	waitStale:     "waits for a fresh look at the machine",
	waitUnknown:   "waits until the register shows what became of the last write",
	waitInFlight:  "waits for the outcome of the last write",
	waitForeign:   "waits, the register holds another value",
	waitNewPart:   "waits for the next part",
	waitHeld:      "waits, on hold",
	waitTool:      "waits, another tool is in the machine",
	waitProgram:   "waits for its program",
	waitCutting:   "waits for the machine to stand still",
	codeHead:      "the value is outside what the gauge's heads cover, check head and part",
	codeFrozen:    "the gauge has shown this very number too often in a row, check that it is alive",
	codeRing:      "this may be a reading of a setting ring, it waits unassigned until somebody says which part it is",
	codeAsFound:   "found further off than its limit, the readings since it was last good are suspect",
	codeWrongRing: "not a standard of this gauge, the check counts for nothing",
	causeSwing:    "corrections go to and fro and get no smaller, check the effect, the damping and whether somebody else steers the register",
	causeBeyond:   "part after part comes out past the same limit of size while the estimate sees nothing to change, check one by another gauge and resume: the estimate begins anew",
	causeFrozen:   "the gauge shows the same number again and again, check that it is alive",
	causeAsFound:  "built on readings of a gauge that was found off, measure again",

	declineNoItem:    "there is no such reading in the tray, it may have been assigned already",
	declineNoMachine: "no machine is named, say whose part it is",
	declineSmaller:   "the value does not lie between the register's and the proposed one, on the register's step: a person may ask for less, never for more",
	declineTogether:  "several registers move together here, which cannot be made less of: approve or reject",
	declineBounds:    "that value lies beyond the bounds",
	declineAgain:     "the part is to be measured again first: measure it, or take that back",
	declineProgram:   "two people have to agree to this, each with a PIN of their own: neither a program nor a terminal shows who it is",
	codeLowered:      "a person asked for less than was proposed",
	codeTwo:          "two people have to agree to a change of this size",

	waitGaugeDue:   "waits, the gauge's calibration is out of date",
	waitRingDue:    "waits, the standard the gauge was set on is out of date, set it on one that is in date",
	waitGaugeOff:   "waits, the gauge was found off and not set since",
	waitNeverSet:   "waits until the gauge is set",
	waitSetTime:    "waits, the gauge's setting is too old, set it",
	waitSetParts:   "waits, too many parts since the gauge was set, set it",
	waitSetClimate: "waits, the temperature changed too much since the gauge was set, set it",

	waitReading: "waits for a reading: parts are cut and none was measured for long, check gauge, broker and topic",

	waitVerify: "waits until the whole journal has been checked",
}
