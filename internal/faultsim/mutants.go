package faultsim

// Mutants are guards of the production code, each taken out alone. The simulation
// has to notice every one of them, or the entry names the guard that does the same
// work.
var Mutants = []Mutant{
	// The write sequence.
	{
		Name: "the pre-read compares the old value", File: "internal/machine/write.go",
		Old: "case s.Registers[a.at] != in.Old:", New: "case false:",
	},
	{
		Name: "the pre-read compares the tool's generation", File: "internal/machine/write.go",
		Old: "case gen != in.Gen:", New: "case false:",
	},
	{
		Name: "the pre-read compares the program", File: "internal/machine/write.go",
		Old: `case in.Program != "" && s.Program != in.Program:`, New: "case false:",
	},
	{
		Name: "the pre-read asks for the permitted state", File: "internal/machine/write.go",
		Old: "case !s.Permitted:", New: "case false:",
	},
	{
		Name: "the window between pre-read and request", File: "internal/machine/write.go",
		Old: "spent > a.m.o.Window {", New: "false && spent > 0 {",
	},
	{
		Name: "the gate is asked before a request", File: "internal/machine/write.go",
		Old: "if a.gate == nil || !a.gate() {", New: "if a.gate == nil {",
	},
	{
		Name: "the time by which to send", File: "internal/machine/write.go",
		Old: "case now > a.in.SendBy:", New: "case now < 0:",
		Mask: "everything but the age is compared again by the pre-read",
	},
	{
		Name: "a good answer is proven by reading back", File: "internal/machine/write.go",
		Old: "		a.prove(st)\n", New: "		a.out.Result, a.out.Read = core.Applied, a.in.New\n",
	},
	{
		Name: "an uncertain answer is no good one", File: "internal/machine/write.go",
		Old: "case st == ua.StatusOK || st == ua.StatusGoodClamped:", New: "case err == nil:",
		Mask: "every answer but a refusal is proven by reading back",
	},
	{
		Name: "a refusal is believed only when the register agrees", File: "internal/machine/write.go",
		Old: "case s.Registers[a.at] == a.in.Old:\n		a.settle(core.Refused", New: "case true:\n		a.settle(core.Refused",
	},
	{
		Name: "the hard band in the write sequence", File: "internal/machine/write.go",
		Old: "case !r.Band.Contains(a.in.New):", New: "case false:",
		Mask: "the guard refuses a move outside the band before it is proposed",
	},
	{
		Name: "an intent belongs to one session", File: "internal/machine/write.go",
		Old: "case e.number != a.in.Epoch:", New: "case false:",
		Mask: "the pre-read of the new session compares value, tool, program and state again",
	},
	{
		Name: "the serial of the machine at a connect", File: "internal/machine/compare.go",
		Old: "!ok || text != v.o.Serial {", New: "!ok || text == \"\" {",
		Mask: "every sample compares the serial again",
	},
	{
		Name: "the unit of a register at a connect", File: "internal/machine/compare.go",
		Old: "if told && u != r.Unit {", New: "if told && u == \"\" {",
	},
	// The gate.
	{
		Name: "a hold closes the gate", File: "internal/bridge/gate.go",
		Old: `return !held[""] && !held[loop]`, New: "_ = held\n	return true",
	},
	{
		Name: "a hold that is asked for closes the gate", File: "internal/bridge/gate.go",
		Old: "g.failed.Load() || g.shut.Load() > 0 ||", New: "g.failed.Load() ||",
	},
	{
		Name: "the plant-wide gate", File: "internal/bridge/gate.go",
		Old: "|| g.plant != nil && !g.plant() {", New: "{",
	},
	// The bridge.
	{
		Name: "nothing leaves before its records are durable", File: "internal/bridge/bridge.go",
		Old: "	b.flight = batch\n	return nil\n", New: "	b.flight = batch\n	return batch\n",
	},
	{
		Name: "a failed commit ends the bridge", File: "internal/bridge/bridge.go",
		Old: "	if err != nil {\n		b.dead =", New: "	if false {\n		b.dead =",
	},
	// The core: readings.
	{
		Name: "a retained message", File: "internal/core/reading.go",
		Old: "	case r.Retained:\n		return codeRetained\n	case", New: "	case",
	},
	{
		Name: "the same reading twice", File: "internal/core/reading.go",
		Old: "r.Sequence > 0 && r.Sequence == d.s.lastSequence(r.Gauge):", New: "false:",
	},
	{
		Name: "a reading that is late", File: "internal/core/reading.go",
		Old: "r.Sequence > 0 && r.Sequence < d.s.lastSequence(r.Gauge):", New: "false:",
	},
	{
		Name: "a part that is none of the series", File: "internal/core/reading.go",
		Old: `case r.State != "" || !waited`, New: "case !waited",
	},
	{
		Name: "the window of what is plausible", File: "internal/core/reading.go",
		Old: "case !l.Characteristics[c].Plausible.Contains(r.Value):", New: "case false:",
	},
	{
		Name: "a cut record in doubt steers nothing", File: "internal/core/reading.go",
		Old: `case cut.Doubt != "":`, New: "case false:",
	},
	{
		Name: "another program's part", File: "internal/core/reading.go",
		Old: `case l.Program != "" && cut.Program != l.Program:`, New: "case false:",
	},
	{
		Name: "an earlier tool's part", File: "internal/core/reading.go",
		Old: "case !d.sameTools(cut, l):", New: "case false:",
	},
	// The core: writes.
	{
		Name: "one register, one open write", File: "internal/core/write.go",
		Old: "		case b.Pending != nil && b.Doubtful:\n			return waitUnknown\n		case b.Pending != nil:\n			return waitInFlight\n		case", New: "		case",
		Mask: "a loop has one proposal at a time, which stays until its write has ended",
	},
	{
		Name: "a stale sample", File: "internal/core/write.go",
		Old: "case s.now.at.Mono-s.now.sampleAt > s.Ledger.Settings.Fresh:", New: "case false:",
	},
	{
		Name: "a move waits for a new part", File: "internal/core/write.go",
		Old: "p.Approval == nil && b.LastMove >= seen.Counter && b.LastMove > 0:", New: "false:",
		Mask: "one state of the estimate moves a register once",
	},
	{
		Name: "one state of the estimate moves a register once", File: "internal/core/write.go",
		Old: "case p.Approval == nil && p.Done == 0 && book.Acted >= book.Evidence:", New: "case book == nil:",
		Mask: "a proposal comes of a reading, and a move waits for a new part",
	},
	{
		Name: "nothing by itself before the journal was read back", File: "internal/core/write.go",
		Old: "case p.Approval == nil && !s.now.verified:", New: "case false:",
	},
	{
		Name: "a loop on hold sends nothing", File: "internal/core/write.go",
		Old: "case s.HoldOn(p.Loop) != nil:\n		return waitHeld", New: "case false:\n		return waitHeld",
		Mask: "a hold ends what has not been sent, and closes the gate",
	},
	{
		Name: "the travel is spent at the intent", File: "internal/core/apply_write.go",
		Old: "	b.Spent += e.Charge\n", New: "",
	},
	{
		Name: "moves are counted while nothing is proven", File: "internal/core/apply_write.go",
		Old: "		b.Unproven++\n", New: "",
	},
	{
		Name: "a third value after a good answer is no end", File: "internal/core/write.go",
		Old: "e.Result == Unknown || e.Result == Differs && !e.Late", New: "e.Result == Unknown",
	},
	{
		Name: "the quarantine", File: "internal/core/sample.go",
		Old: "d.s.now.sampleAt-since < wait {", New: "d.s.now.sampleAt-since < wait/8 {",
	},
	{
		Name: "a look is as old as it is", File: "internal/core/sample.go",
		Old: "	if m.Read > 0 {\n", New: "	if m.Read < 0 {\n",
	},
	{
		Name: "what was under way at a start is unknown", File: "internal/core/decide.go",
		Old: "		if b.Pending != nil { // whoever", New: "		if false { // whoever",
		Mask: "an intent without any outcome counts as unknown after a while",
	},
	{
		Name: "a change during a write holds the loop", File: "internal/core/sample.go",
		Old: "	case pending:\n", New: "	case false:\n",
	},
	// People.
	{
		Name: "an approval names exactly what was seen", File: "internal/core/people.go",
		Old: "case f.Digest != p.Digest:", New: "case false:",
	},
	{
		Name: "an approval counts once", File: "internal/core/people.go",
		Old: "case p.Status != Pending:\n		decline(declineDecided)", New: "case false:\n		decline(declineDecided)",
	},
	{
		Name: "who approves has the right to", File: "internal/core/people.go",
		Old: "case !f.Who.Role.May(p.Need):", New: "case false:",
	},
	{
		Name: "a proposal expires", File: "internal/core/decide.go",
		Old: "if l == nil || d.s.ageOf(p) > l.Bounds.Expires {", New: "if l == nil {",
		Mask: "an intent is to be sent by the end of its proposal",
	},
	{
		Name: "who resumes names the cause", File: "internal/core/people.go",
		Old: "	case h.Cause != f.Cause:\n", New: "	case false:\n",
	},
	// The guards.
	{
		Name: "the hard band", File: "internal/guard/guard.go",
		Old: "case !m.Band.Contains(m.New):", New: "case false:",
		Mask: "the solver moves within the band, and the write sequence compares it",
	},
	{
		Name: "the largest step anybody may approve", File: "internal/guard/guard.go",
		Old: "case size > m.SetterStep:", New: "case false:",
	},
	{
		Name: "a step beyond the automatic one asks", File: "internal/guard/guard.go",
		Old: "case size > m.AutoStep:", New: "case false:",
	},
	{
		Name: "the mode asks", File: "internal/guard/guard.go",
		Old: "case !m.Automatic:", New: "case false:",
	},
	{
		Name: "the first part asks", File: "internal/guard/guard.go",
		Old: "	case m.First: ", New: "	case false: ",
	},
	{
		Name: "backing off asks", File: "internal/guard/guard.go",
		Old: "case m.backsOff():", New: "case false:",
	},
	{
		Name: "a hand-over left open is withdrawn", File: "internal/machine/handover.go",
		Old: "case waits(request, acknowledged):\n\t\tm.shut", New: "case false && waits(request, acknowledged):\n\t\tm.shut",
		Mask: "a hand-over that no write waits for ends the session again",
	},
	{
		Name: "a hand-over that no write waits for ends the session", File: "internal/machine/handover.go",
		Old: "if waits(s.request, s.acknowledged) {", New: "if false {",
	},
	{
		Name: "a hand-over is withdrawn when it is not taken up", File: "internal/machine/handover.go",
		Old: "return b.withdraw(ctx, s, err)", New: "return 0, err",
		Mask: "the next session withdraws what was left open",
	},
	{
		Name: "nothing is read while the control may be at a hand-over", File: "internal/machine/handover.go",
		Old: "case m.o.clock().Before(m.shut):", New: "case false:",
	},
	{
		Name: "the fields of a hand-over are read back", File: "internal/machine/handover.go",
		Old: "return b.filled(ctx, s, fields, request, acknowledged)", New: "return nil",
		Mask: "the control compares their sum",
	},
	{
		Name: "a hand-over waits for its own number", File: "internal/machine/handover.go",
		Old: "case acknowledged == b.id && result == handedOver:", New: "case result == handedOver:",
		Mask: "the register is read back",
	},
	{
		Name: "chasing asks", File: "internal/guard/guard.go",
		Old: "case m.chases():", New: "case false:",
	},
	{
		Name: "the travel is bounded", File: "internal/guard/guard.go",
		Old: "case m.Spent+size > m.Travel:", New: "case false:",
		Mask: "the travel is asked for again before a write",
	},
}
