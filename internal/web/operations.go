package web

import (
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// Bodies of answers and requests that are no type of their own elsewhere.
type (
	// QueueView are the open proposals.
	QueueView struct {
		Proposals []Card `json:"proposals"`
	}
	// RequestsView are the parts of which another reading is wanted.
	RequestsView struct {
		Requests []core.RequestView `json:"requests"`
	}
	// HistoryView are journaled events, newest first.
	HistoryView struct {
		Events []Entry `json:"events"`
		Next   string  `json:"next,omitempty"` // what "before" takes to go on with older ones
	}
	// LinesView are the machines, one line each.
	LinesView struct {
		Machines []Line `json:"machines"`
	}
	// GaugesView are the gauges.
	GaugesView struct {
		Gauges []GaugeStatus `json:"gauges"`
	}
	// TrayView is what waits unassigned.
	TrayView struct {
		Readings []TrayItem `json:"readings"`
	}
	// ApproveRequest names exactly what was shown.
	ApproveRequest struct {
		Digest string `json:"digest"`
	}
	// LowerRequest asks for less: New lies between what the register holds and what
	// was proposed.
	LowerRequest struct {
		Digest string        `json:"digest"`
		New    length.Length `json:"new_nm"`
	}
	// LowerResult is the card that took the other's place.
	LowerResult struct {
		ID     string `json:"id"`
		Digest string `json:"digest"`
	}
	// RejectRequest says why not.
	RejectRequest struct {
		Reason string `json:"reason"`
	}
	// MeasureRequest asks for a second reading of a card's part, or takes that back.
	MeasureRequest struct {
		On bool `json:"on"`
	}
	// DiscardRequest says why a reading belongs to no part.
	DiscardRequest struct {
		Reason string `json:"reason"`
	}
	// SignInRequest opens a session.
	SignInRequest struct {
		Person string `json:"person"`
		PIN    string `json:"pin"`
	}
	// FirstInRequest brings the one-time code of a shop without people; Again is the
	// PIN once more, for who types it unseen.
	FirstInRequest struct {
		Code  string `json:"code"`
		Name  string `json:"name"`
		PIN   string `json:"pin"`
		Again string `json:"again,omitempty"`
	}
	// ProofRequest enters the PIN once more.
	ProofRequest struct {
		PIN string `json:"pin"`
	}
)

// operations lists everything that the interface does. A test holds it against
// what is routed, and against the real answers.
func operations() []operation {
	decide := []string{"gone", "decided", "digest", "role", "held-now", "too-late", "again", "identify", "a-person"}
	return []operation{
		{pattern: "GET /v1/openapi.json", say: "This description.", answer: object{}, nobody: true},
		{pattern: "GET /v1/status", say: "The whole plant at one glance.", answer: Status{}, need: core.Viewer},
		{pattern: "GET /v1/queue", say: "The open proposals.", answer: QueueView{}, need: core.Viewer},
		{pattern: "GET /v1/queue/{machine}/{id}", say: "One open proposal.", answer: Card{}, need: core.Viewer, codes: []string{"gone"}},
		{pattern: "POST /v1/queue/{machine}/{id}/approve", say: "Say yes to exactly one proposal, by its digest. The same approval by the same person again answers the same and does nothing.", body: ApproveRequest{}, need: core.Operator, codes: decide},
		{pattern: "POST /v1/queue/{machine}/{id}/reject", say: "Say no to one proposal. The same change does not come back until something changes.", body: RejectRequest{}, need: core.Operator, codes: []string{"gone", "decided", "role", "reason"}},
		{pattern: "POST /v1/queue/{machine}/{id}/lower", say: "Ask for a smaller change of a single register: another proposal takes its place, guarded anew, and has to be approved itself.", body: LowerRequest{}, answer: LowerResult{}, need: core.Operator, codes: append([]string{"smaller", "several-registers", "bounds"}, decide...)},
		{pattern: "POST /v1/queue/{machine}/{id}/measure", say: "Ask for a second reading of the part before the proposal is decided, or take that back.", body: MeasureRequest{}, need: core.Operator, codes: []string{"gone", "decided"}},
		{pattern: "GET /v1/requests", say: "The parts of which another reading is wanted.", answer: RequestsView{}, need: core.Viewer},
		{pattern: "POST /v1/hold", say: "Stop writing at once: everything, a machine, or one loop. Registers keep their values.", body: Scope{}, need: core.Operator, codes: []string{"machine", "scope", "no-loop", "held-already"}},
		{pattern: "POST /v1/resume", say: "Clear one hold after its cause was looked at. It names the cause it clears.", body: Scope{}, need: core.Operator, codes: []string{"machine", "not-held", "cause", "reason", "hold-file"}},
		{pattern: "GET /v1/history", say: "Journaled events, newest first. Times are a day or RFC 3339; a day as the last one is included.", query: []string{"machine", "loop", "part", "gauge", "ring", "person", "kinds", "from", "to", "before", "limit"}, answer: HistoryView{}, need: core.Viewer, codes: []string{"limit", "moment"}},
		{pattern: "GET /v1/handover", say: "What the next shift has to know: what waits, what must not be touched, what drifts, what was changed.", query: []string{"hours"}, answer: HandoverView{}, need: core.Viewer, codes: []string{"limit"}},
		{pattern: "GET /v1/events", say: "What happens from now on, one event of the record each.", stream: true, need: core.Viewer},
		{pattern: "GET /v1/board", say: "What every open page shows.", answer: Board{}, need: core.Viewer},
		{pattern: "GET /v1/live", say: "The board, whenever it changes.", stream: true, need: core.Viewer, codes: []string{"many"}},
		{pattern: "GET /v1/machines", say: "The machines, who needs somebody first.", answer: LinesView{}, need: core.Viewer},
		{pattern: "GET /v1/machines/{machine}", say: "One machine with its loops.", answer: MachinePage{}, need: core.Viewer, codes: []string{"machine"}},
		{pattern: "GET /v1/trend/{machine}", say: "The last sizes of a loop and its corrections.", query: []string{"loop"}, answer: Trend{}, need: core.Viewer, codes: []string{"loop"}},
		{pattern: "GET /v1/gauges", say: "The gauges: what makes their readings trustworthy.", answer: GaugesView{}, need: core.Viewer},
		{pattern: "POST /v1/gauges/{gauge}/check", say: "Record that a gauge was put on its standard: adjusted is a setting, otherwise a ring check.", body: CheckRequest{}, answer: CheckResult{}, need: core.Operator, codes: []string{"as_found", "temperature"}},
		{pattern: "GET /v1/tray", say: "Readings that wait for somebody to say what they are.", answer: TrayView{}, need: core.Viewer},
		{pattern: "POST /v1/tray/{tray}/{id}/assign", say: "Say which part a reading belongs to.", body: AssignRequest{}, answer: ReadingResult{}, need: core.Operator, codes: []string{"no-item", "no-machine", "reason"}},
		{pattern: "POST /v1/tray/{tray}/{id}/discard", say: "Say that a reading belongs to no part.", body: DiscardRequest{}, need: core.Operator, codes: []string{"no-item", "reason"}},
		{pattern: "POST /v1/machines/{machine}/readings", say: "Enter a measured value by hand.", body: EnterRequest{}, answer: ReadingResult{}, need: core.Operator, codes: []string{"machine", "value", "part", "reason", "temperature", "orientation", "depth"}},
		{pattern: "POST /v1/machines/{machine}/plugs", say: "Record a GO or NO-GO result beside the size that was last measured.", body: PlugRequest{}, answer: PlugResult{}, need: core.Operator, codes: []string{"machine", "plug"}},
		{pattern: "GET /v1/machines/{machine}/inside", say: "A close look at one machine: tools, what its loops have learned, measuring tasks, its last parts.", answer: core.Inside{}, need: core.Viewer, codes: []string{"machine"}},
		{pattern: "POST /v1/machines/{machine}/tools/{tool}/new", say: "Say that a tool has a new insert: the next part is a first part.", body: struct{}{}, need: core.Setter, codes: []string{"machine", "no-tool", "role"}},
		{pattern: "POST /v1/machines/{machine}/loops/{loop}/back", say: "Propose the registers of before the last change, as a correction that a person decides.", body: struct{}{}, need: core.Operator, codes: []string{"machine", "no-loop", "no-before", "role"}},
		{pattern: "POST /v1/machines/{machine}/loops/{loop}/step", say: "Ask for a test step: a deliberate change of one register that shows at the next part whether and how the size answers. A setter decides it like any other proposal.", body: StepTestRequest{}, need: core.Setter, codes: []string{"machine", "no-loop", "role", "value", "no-room", "few"}},
		{pattern: "POST /v1/machines/{machine}/loops/{loop}/first", say: "Sign the first part of a set-up, with what was measured and gauged of it.", body: SignRequest{}, need: core.Setter, codes: []string{"machine", "no-loop", "role", "first-size", "first-out", "first-go", "first-nogo", "first-open"}},
		{pattern: "POST /v1/machines/{machine}/tasks", say: "Say what the next bare reading of a gauge measures, or take that back.", body: TaskRequest{}, need: core.Operator, codes: []string{"machine", "task", "no-char", "gauge", "task-long"}},
		{pattern: "POST /v1/queue/{machine}/{id}/typed", say: "Say that a proposal was carried out by hand, as it says or with another value.", body: TypedRequest{}, need: core.Operator, codes: []string{"machine", "digest", "role", "value", "not-by-hand", "typed-void", "typed-several", "off-grid", "off-band"}},
		{pattern: "POST /v1/machines/{machine}/register", say: "Say what a register of a machine by hand holds.", body: RegisterRequest{}, need: core.Setter, codes: []string{"machine", "role", "value", "no-register", "not-by-hand", "off-grid", "off-band"}},
		{pattern: "POST /v1/machines/{machine}/first", say: "Declare the first part after a change by hand; without a part it is the next one that is measured.", body: FirstRequest{}, need: core.Operator, codes: []string{"machine", "role", "not-by-hand", "no-change"}},
		{pattern: "GET /v1/news", say: "That something has happened at a machine, or anywhere.", query: []string{"machine"}, stream: true, need: core.Viewer, codes: []string{"many"}},
		{pattern: "GET /v1/session", say: "Who is signed in at this device, and who could be.", answer: SessionView{}, nobody: true},
		{pattern: "POST /v1/session", say: "Sign in.", body: SignInRequest{}, answer: PersonView{}, nobody: true, codes: []string{"pin", "person", "wait"}},
		{pattern: "POST /v1/session/first", say: "Come in as the first person, an engineer, with the one-time code that the program prints at its start while nobody is known.", body: FirstInRequest{}, answer: PersonView{}, nobody: true, codes: []string{"code", "name", "new-pin"}},
		{pattern: "POST /v1/session/proof", say: "Enter the PIN once more, before a change beyond the operator's.", body: ProofRequest{}, person: true, codes: []string{"pin", "wait", "sign-in"}},
		{pattern: "POST /v1/session/touch", say: "Say that somebody acts on the page, so that the session goes on.", person: true, body: struct{}{}},
		{pattern: "POST /v1/session/reads", say: "Choose how to read the page at this device: language, and unit of sizes.", body: ReadsRequest{}, nobody: true, codes: []string{"reads"}},
		{pattern: "DELETE /v1/session", say: "Sign out.", person: true},
	}
}

// refusals are the codes that the interface itself refuses with.
var refusals = map[string]string{
	"reads": "no such language or unit", "sign-in": "nobody is signed in, or not any more", "token": "the token is none of the configuration's, or may not do this",
	"role": "the role may not do this", "identify": "enter the PIN once more first (POST /v1/session/proof)",
	"pin": "not this person's PIN", "person": "there is nobody of that name", "wait": "too many attempts, see Retry-After",
	"code": "not the one-time code, or not any more", "name": "a name is needed", "new-pin": "not a good PIN, or not twice the same",
	"origin": "the request comes from another site", "type": "the body is not declared as JSON", "body": "the body is not the expected JSON",
	"size": "the body is larger than 16 KiB", "host": "this page is for its own computer alone", "user": "not the user of the local socket",
	"page": "there is no such file", "method": "a file can only be read", "time": "no answer in time, look at the status before trying again",
	"unavailable": "the program cannot do this just now", "many": "too many are open or wait already", "machine": "there is no machine of that name",
	"loop": "no loop is named", "scope": "a loop needs its machine", "limit": "not a number of events or hours that can be asked for", "moment": "neither a time nor a place in the record",
	"hold-file": "the hold file beside the journal is still there",
	"as_found":  "not a deviation of a gauge", "temperature": "not a temperature", "orientation": "not an orientation", "depth": "not a depth",
	"value": "not a measured value", "part": "characteristic or part is missing", "plug": "not a GO or NO-GO result", "task": "not a measuring task", "no-item": "there is no such reading in the tray",
}

// codes explains what a refusal's code says. Codes beside these are those of the
// record, and every refusal carries its sentence.
func codes() object {
	out := object{}
	for c, say := range refusals {
		out[c] = say
	}
	for _, c := range []core.Code{
		"not-by-hand", "typed-void", "typed-several", "off-grid", "off-band", "no-register", "no-change",
		"no-tool", "no-before", "first-size", "first-out", "first-go", "first-nogo", "first-open",
		"gone", "decided", "digest", "held-now", "too-late", "reason", "no-loop", "held-already", "not-held", "cause", "no-machine",
		"again", "smaller", "several-registers", "bounds", "a-person",
	} {
		out[string(c)] = c.Words()
	}
	return out
}
