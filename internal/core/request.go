package core

import (
	"fmt"
	"slices"
)

// Request asks for another reading of a part whose reading is far from what was
// expected: before the estimate believes a jump it wants the same part measured
// again. Nobody has to answer. The request lapses, and the estimate takes the parts
// that follow as evidence instead, which costs it one or two parts more.
type Request struct {
	ID             uint64  `json:"id"`
	Loop           string  `json:"l"`
	Characteristic string  `json:"c"`
	Part           string  `json:"p"`
	Cut            int     `json:"ct,omitempty"` // which cut of that serial
	Count          uint64  `json:"k"`            // the machine's count of it
	Gauge          string  `json:"g"`            // that read it
	Reason         Code    `json:"r"`
	Nth            int     `json:"n"` // 1 for the second reading of the part, 2 for the third
	Minute         float64 `json:"m"` // machine minutes when it was asked for
}

// Asked: another reading of a part is wanted.
type Asked struct{ Request }

// AskEnded: it is not wanted any more.
type AskEnded struct {
	ID             uint64 `json:"id"`
	Loop           string `json:"l"`
	Characteristic string `json:"c"`
	Part           string `json:"p"`
	Count          uint64 `json:"k"`
	Gauge          string `json:"g"`
	Cause          Code   `json:"e"`
}

func (Asked) Kind() string    { return "ask" }
func (AskEnded) Kind() string { return "asked" }

func (e Asked) Keys() Keys    { return Keys{Loop: e.Loop, Part: e.Part, Gauge: e.Gauge} }
func (e AskEnded) Keys() Keys { return Keys{Loop: e.Loop, Part: e.Part, Gauge: e.Gauge} }

// Bounds of a request: two re-gaugings of a part settle what it is (from the
// project's own simulation), and whoever has not measured after so many parts or
// minutes will not find the part any more (common practice, no source).
const (
	maxAgain      = 2
	requestParts  = 5
	RequestMillis = 10 * 60_000
	maxRequests   = 64
)

// Why a request ended.
const (
	AskAnswered Code = "ask-answered"
	AskSettled  Code = "ask-settled"
	AskNewer    Code = "ask-newer"
	AskLapsed   Code = "ask-lapsed"
	askTool     Code = "ask-tool"
	askGone     Code = "ask-gone"
)

func init() {
	AddWords(map[Code]string{
		AskAnswered: "the part was measured again",
		AskSettled:  "the part after it came out as expected, the reading in doubt was let go",
		AskNewer:    "a newer part is in doubt as well, measure that one",
		AskLapsed:   "nobody measured it again in time, the parts that follow decide",
		askTool:     "the tool was changed, the part says nothing of the new one",
		askGone:     "the loop or the machine's count is another one now",
	})
	decoders[Asked{}.Kind()] = as[Asked]
	decoders[AskEnded{}.Kind()] = as[AskEnded]
}

// requestOf returns the open request for a characteristic.
func (s *State) requestOf(characteristic string) *Request {
	i := slices.IndexFunc(s.Ledger.Requests, func(r Request) bool { return r.Characteristic == characteristic })
	if i < 0 {
		return nil
	}
	return &s.Ledger.Requests[i]
}

// askAgain ends the request that a reading answers, and asks for another reading
// where it is in doubt itself. A gauge that takes the oldest part not measured can
// not be asked: its next reading would be taken for another part.
func (d *decision) askAgain(j *Judged, l *Loop, c int, cut *Cut) {
	doubt := j.Estimate == codeSuspect
	nth := 1
	if open := d.s.requestOf(j.Reading.Characteristic); open != nil {
		cause := AskSettled
		switch {
		case open.Count == j.Count:
			cause, nth = AskAnswered, open.Nth+1
		case doubt:
			cause = AskNewer
		}
		d.endRequest(*open, cause)
	}
	if u := d.use(j.Reading, l, c); !doubt || nth > maxAgain || u == nil || u.Identity == identityOrder {
		return
	}
	if len(d.book().Requests) >= maxRequests {
		d.endRequest(d.book().Requests[0], AskLapsed)
	}
	d.emit(Asked{Request{
		ID: d.book().LastRequest + 1, Loop: l.Name, Characteristic: j.Reading.Characteristic, Part: partName(cut.Serial, cut.Count),
		Cut: cut.Nth, Count: cut.Count, Gauge: j.Reading.Gauge, Reason: codeSuspect, Nth: nth, Minute: d.minute(),
	}})
}

func (d *decision) endRequest(r Request, cause Code) {
	d.emit(AskEnded{ID: r.ID, Loop: r.Loop, Characteristic: r.Characteristic, Part: r.Part, Count: r.Count, Gauge: r.Gauge, Cause: cause})
}

// endRequests ends what nobody has answered in time, and what nobody can answer.
func (d *decision) endRequests() {
	for _, r := range slices.Clone(d.book().Requests) {
		if l, _ := d.set().Find(r.Characteristic); l == nil || l.Name != r.Loop {
			d.endRequest(r, askGone)
			continue
		}
		cut := d.s.cut(r.Count)
		switch {
		case cut == nil:
			d.endRequest(r, askGone)
		case d.s.leftOf(&r) <= 0, d.s.since(r.Count) > requestParts:
			d.endRequest(r, AskLapsed)
		case d.book().Seen != nil && !d.sameTools(cut, d.set().Loop(r.Loop)):
			d.endRequest(r, askTool)
		}
	}
}

// since returns how many parts were cut after that one.
func (s *State) since(count uint64) uint64 {
	if n := len(s.Ledger.Cuts); n > 0 && s.Ledger.Cuts[n-1].Count > count {
		return s.Ledger.Cuts[n-1].Count - count
	}
	return 0
}

// leftOf returns for how many milliseconds a request stays open. A pause of the
// process counts, so that no restart makes it younger.
func (s *State) leftOf(r *Request) int64 {
	return RequestMillis - int64((s.minute()-r.Minute)*60_000)
}

func (s *State) applyAsked(e Asked) {
	g := &s.Ledger
	g.LastRequest = max(g.LastRequest, e.ID)
	g.Requests = push(g.Requests, e.Request, maxRequests)
}

func (s *State) applyAskEnded(e AskEnded) {
	s.Ledger.Requests = slices.DeleteFunc(s.Ledger.Requests, func(r Request) bool { return r.ID == e.ID })
}

// RequestView is one request as a person is shown it.
type RequestView struct {
	Request
	Machine string `json:"machine"`
	Say     string `json:"say"`
	Left    int64  `json:"lapses_in_ms"`
	Parts   uint64 `json:"lapses_in_parts"`
}

// Say asks for the reading in one sentence.
func (r *Request) Say() string {
	again := "again"
	if r.Nth > 1 {
		again = "a third time"
	}
	return fmt.Sprintf("measure part %s %s on %s: %s is %s", r.Part, again, r.Gauge, r.Characteristic, requestReason(r.Reason))
}

func requestReason(c Code) string {
	if c == codeSuspect {
		return "far from what was expected"
	}
	return c.Words()
}

// PartsLeft is after how many further parts a request that was just made lapses.
const PartsLeft = requestParts

func (s *State) requestViews() []RequestView {
	var out []RequestView
	for _, r := range s.Ledger.Requests {
		out = append(out, RequestView{
			Request: r, Machine: s.Ledger.Settings.Machine, Say: r.Say(), Left: max(0, s.leftOf(&r)),
			Parts: requestParts - min(requestParts, s.since(r.Count)),
		})
	}
	return out
}
