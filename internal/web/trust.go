package web

import (
	"context"
	"errors"
	"math"
	"net/http"
	"strconv"
	"strings"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// Trust is what the interface needs of the running program about gauges and
// readings that nobody could place.
type Trust interface {
	// Gauges lists every gauge, in the configured order.
	Gauges(ctx context.Context) ([]GaugeStatus, error)
	// Check records that a gauge was put on its standard. A *RefusedError when
	// they do not belong together.
	Check(ctx context.Context, c core.Check, adjusted bool) (CheckResult, error)
	// Tray lists what waits unassigned, oldest first within each tray.
	Tray(ctx context.Context) ([]TrayItem, error)
	// Assign and Discard sort one item of a tray; ErrNoItem when there is none.
	Assign(ctx context.Context, id string, f core.Assign) (bridge.Released, error)
	Discard(ctx context.Context, id string, f core.Discard) (bridge.Released, error)
	// Plug records a GO or NO-GO result beside the size that was last measured.
	Plug(ctx context.Context, machine string, f core.Plug) (bridge.Released, error)
}

// ErrNoItem says that the tray holds nothing of the name that was asked for.
var ErrNoItem = errors.New("there is no such reading in the tray, it may have been assigned already")

// GaugeStatus is one gauge. Times are milliseconds since 1970 (UTC), 0 unknown.
type GaugeStatus struct {
	Gauge     string           `json:"gauge"`
	Due       int64            `json:"calibration_due_ms,omitempty"`
	Standards []StandardStatus `json:"standards,omitempty"`
	Last      *core.PlantGauge `json:"last,omitempty"` // what was last done on a standard
	Machines  []core.GaugeView `json:"machines"`
}

// StandardStatus is one standard of a gauge.
type StandardStatus struct {
	Name        string        `json:"name"`
	Value       length.Length `json:"value_nm"`
	Due         int64         `json:"due_ms"`
	Certificate string        `json:"certificate,omitempty"`
}

// CheckRequest is the body of a setting or a ring check. The as-found deviation
// is text with its unit.
type CheckRequest struct {
	Standard string   `json:"standard"`
	AsFound  string   `json:"as_found,omitempty"`
	Read     string   `json:"read,omitempty"` // what it showed on the standard, in place of the deviation
	Adjusted bool     `json:"adjusted"`
	Celsius  *float64 `json:"temperature_c,omitempty"`
}

// CheckResult is what a check means, machine by machine.
type CheckResult struct {
	Declined core.Code   `json:"-"`
	Machines []CheckedOn `json:"machines"`
	Say      string      `json:"say"` // of all of them
}

// CheckedOn is what a check means for one machine.
type CheckedOn struct {
	Machine   string         `json:"machine"`
	Limit     length.Length  `json:"limit_nm"`
	Verdict   core.Code      `json:"verdict,omitempty"` // empty: found good
	Say       string         `json:"say"`
	Suspect   *core.Suspects `json:"suspect,omitempty"`
	Withdrawn []Withdrawn    `json:"withdrawn,omitempty"`
}

// Withdrawn is a proposal that rested on suspect readings.
type Withdrawn struct {
	Proposal uint64 `json:"proposal"`
	Loop     string `json:"loop"`
}

// TrayItem is one reading that waits unassigned.
type TrayItem struct {
	ID             string        `json:"id"` // "plant/number" or "machine/number"
	Gauge          string        `json:"gauge"`
	Characteristic string        `json:"characteristic,omitempty"`
	Machine        string        `json:"machine,omitempty"`
	Part           string        `json:"part,omitempty"`
	Value          string        `json:"value"`
	ValueNM        length.Length `json:"value_nm"`
	Because        string        `json:"because"`
	Code           core.Code     `json:"code"`
}

// ReadingResult is what became of a reading that a person placed or entered.
type ReadingResult struct {
	Used     bool      `json:"used"`
	Code     core.Code `json:"code,omitempty"`
	Say      string    `json:"say"`
	Decision string    `json:"decision,omitempty"` // what the size decides, in a sentence
	How      []string  `json:"how,omitempty"`      // how it came about
}

// EnterRequest is the body of a hand entry. The value is text with its unit.
type EnterRequest struct {
	Characteristic string `json:"characteristic"`
	Part           string `json:"part"`
	Cut            int    `json:"cut,omitempty"`
	Value          string `json:"value"`
	Gauge          string `json:"gauge,omitempty"`
	Reason         string `json:"reason"`

	Celsius  *float64 `json:"temperature_c,omitempty"` // of the part
	Frame    *float64 `json:"gauge_temperature_c,omitempty"`
	Standard *float64 `json:"standard_temperature_c,omitempty"`
	Depth    string   `json:"depth,omitempty"`           // from the mouth, text with its unit
	Degrees  *float64 `json:"orientation_deg,omitempty"` // about the axis
}

// PlugRequest is the body of a GO or NO-GO result.
type PlugRequest struct {
	Characteristic string `json:"characteristic"`
	Part           string `json:"part"`
	Gauge          string `json:"gauge,omitempty"`
	Plug           string `json:"plug"` // core.PlugGO or core.PlugNOGO
	Enters         bool   `json:"enters"`
	Reason         string `json:"reason,omitempty"`
}

// PlugResult is what a GO or NO-GO result says. Limits never move; an aim is
// advice.
type PlugResult struct {
	Say     string         `json:"say"`
	Advice  core.Code      `json:"advice,omitempty"`
	Size    *length.Length `json:"size_nm,omitempty"`
	AimNM   *length.Length `json:"aim_nm,omitempty"`
	LeastNM length.Length  `json:"form_takes_at_least_nm,omitempty"`
}

// AssignRequest is the body of an assignment.
type AssignRequest struct {
	Machine        string `json:"machine,omitempty"`
	Characteristic string `json:"characteristic,omitempty"`
	Part           string `json:"part"`
	Reason         string `json:"reason"`
}

func (s *server) trustRoutes(mux *http.ServeMux) {
	if s.o.Trust == nil {
		return
	}
	mux.HandleFunc("GET /v1/gauges", s.gauges)
	mux.HandleFunc("POST /v1/gauges/{gauge}/check", s.check)
	mux.HandleFunc("GET /v1/tray", s.tray)
	mux.HandleFunc("POST /v1/tray/{tray}/{id}/assign", s.assign)
	mux.HandleFunc("POST /v1/tray/{tray}/{id}/discard", s.discard)
	mux.HandleFunc("POST /v1/machines/{machine}/readings", s.enter)
	mux.HandleFunc("POST /v1/machines/{machine}/plugs", s.plug)
}

func (s *server) gauges(w http.ResponseWriter, r *http.Request) {
	all, err := s.o.Trust.Gauges(r.Context())
	s.give(w, GaugesView{all}, err)
}

func (s *server) check(w http.ResponseWriter, r *http.Request) {
	var body CheckRequest
	if _, ok := s.take(w, r, &body); !ok {
		return
	}
	found, err := s.found(r, &body)
	if err != nil {
		refuse(w, http.StatusBadRequest, "as_found", err.Error())
		return
	}
	if found.Abs() > length.Millimetre {
		refuse(w, http.StatusBadRequest, "as_found", found.String()+" is no deviation of a gauge: give the reading of the standard minus its certified value, at most 1 mm")
		return
	}
	c := core.Check{Gauge: r.PathValue("gauge"), Standard: body.Standard, AsFound: found, Who: person(r)}
	ok := true
	if c.Temp, ok = milli[core.Celsius](body.Celsius, -20, 60); !ok {
		refuse(w, http.StatusBadRequest, "temperature", "the temperature is not from -20 to 60 °C")
		return
	}
	out, err := s.o.Trust.Check(r.Context(), c, body.Adjusted)
	if !s.accepted(w, out.Declined, err) {
		return
	}
	f := formatOf(r.Context())
	said := []string{f.T("r_found_off", "found", f.signed(found))}
	for i := range out.Machines {
		m := &out.Machines[i]
		if m.Say = f.code(m.Verdict); m.Verdict == "" {
			m.Say = f.T("r_good")
		}
		one := m.Machine + ": " + m.Say
		if n := len(m.Withdrawn); n > 0 {
			one += ", " + f.T("r_withdrawn", "n", n)
		}
		said = append(said, one)
	}
	out.Say = strings.Join(said, "; ")
	answer(w, http.StatusOK, out)
}

func (s *server) tray(w http.ResponseWriter, r *http.Request) {
	all, err := s.o.Trust.Tray(r.Context())
	s.give(w, TrayView{all}, err)
}

// TrayItemOf lays an item of a tray out.
func TrayItemOf(tray string, u core.Unplaced) TrayItem {
	return TrayItem{
		ID: tray + "/" + strconv.FormatUint(u.ID, 10), Gauge: u.Reading.Gauge, Characteristic: u.Reading.Characteristic, Machine: u.Machine,
		Part: u.Reading.Part, Value: u.Reading.Value.String(), ValueNM: u.Reading.Value, Because: u.Code.Words(), Code: u.Code,
	}
}

func (s *server) assign(w http.ResponseWriter, r *http.Request) {
	var body AssignRequest
	if _, ok := s.take(w, r, &body); !ok {
		return
	}
	f := core.Assign{Machine: body.Machine, Characteristic: body.Characteristic, Part: body.Part, Reason: body.Reason, Who: person(r)}
	rel, err := s.o.Trust.Assign(r.Context(), r.PathValue("tray")+"/"+r.PathValue("id"), f)
	s.placed(w, r, rel, err)
}

func (s *server) discard(w http.ResponseWriter, r *http.Request) {
	var body DiscardRequest
	if _, ok := s.take(w, r, &body); !ok {
		return
	}
	rel, err := s.o.Trust.Discard(r.Context(), r.PathValue("tray")+"/"+r.PathValue("id"), core.Discard{Reason: body.Reason, Who: person(r)})
	if s.accepted(w, rel.Declined(), err) {
		answer(w, http.StatusOK, struct{}{})
	}
}

func (s *server) enter(w http.ResponseWriter, r *http.Request) {
	var body EnterRequest
	if _, ok := s.take(w, r, &body); !ok {
		return
	}
	who := person(r)
	v, err := length.Parse(body.Value)
	switch {
	case err != nil:
		refuse(w, http.StatusBadRequest, "value", err.Error())
	case body.Characteristic == "" || body.Part == "":
		refuse(w, http.StatusBadRequest, "part", "a hand entry needs characteristic and part, name both")
	case body.Reason == "":
		refuse(w, http.StatusConflict, "reason", core.Code("reason").Words())
	case !who.Role.May(core.Operator):
		refuse(w, http.StatusForbidden, "role", core.Code("role").Words())
	default:
		f := core.Reading{
			Gauge: body.Gauge, Machine: r.PathValue("machine"), Characteristic: body.Characteristic, Part: body.Part, Cut: body.Cut,
			Value: v, Manual: &who, Reason: body.Reason,
		}
		if f.Gauge == "" {
			f.Gauge = "by hand"
		}
		if field, why := body.surroundings(&f); field != "" {
			refuse(w, http.StatusBadRequest, field, why)
			return
		}
		rel, err := s.o.Plant.Call(r.Context(), f.Machine, f)
		s.placed(w, r, rel, err)
	}
}

// surroundings puts temperatures and place of a hand entry to its reading. What
// cannot be one is named with the reason.
func (q *EnterRequest) surroundings(r *core.Reading) (field, why string) {
	ok := true
	for _, t := range []struct {
		from *float64
		to   **core.Celsius
	}{{q.Celsius, &r.Temp}, {q.Frame, &r.TempGauge}, {q.Standard, &r.TempStandard}} {
		if *t.to, ok = milli[core.Celsius](t.from, -20, 60); !ok {
			return "temperature", "a temperature is not from -20 to 60 °C"
		}
	}
	if r.Turn, ok = milli[core.Turn](q.Degrees, -360, 360); !ok {
		return "orientation", "the orientation is not from -360 to 360 degrees"
	}
	if q.Depth != "" {
		at, err := length.Parse(q.Depth)
		if err != nil {
			return "depth", err.Error()
		}
		r.Depth = &at
	}
	return "", ""
}

// milli returns a number in thousandths, nil where there is none, and false where
// it is not between low and high.
func milli[T ~int32 | ~int64](v *float64, low, high float64) (*T, bool) {
	if v == nil {
		return nil, true
	}
	if !(*v >= low && *v <= high) {
		return nil, false
	}
	t := T(math.Round(*v * 1000))
	return &t, true
}

// placed answers what became of a reading that a person placed or entered.
func (s *server) placed(w http.ResponseWriter, r *http.Request, rel bridge.Released, err error) {
	if !s.accepted(w, rel.Declined(), err) {
		return
	}
	f := formatOf(r.Context())
	out := ReadingResult{Say: f.T("r_recorded")}
	for _, e := range rel.Events {
		switch e := e.(type) {
		case core.Waits:
			out = ReadingResult{Say: f.T("r_waits")}
		case core.Judged:
			out = ReadingResult{Used: true, Say: f.T("r_used")}
			for _, c := range []core.Code{e.Admit, e.Attribute, e.Gather, e.Estimate} {
				if c != "" && c != "step" {
					out = ReadingResult{Code: c, Say: f.code(c)}
					break
				}
			}
			if m := e.Measurement(); m != nil {
				out.Decision, out.How = f.decided(m), f.cameAbout(m)
			}
		}
	}
	answer(w, http.StatusOK, out)
}

func (s *server) plug(w http.ResponseWriter, r *http.Request) {
	var body PlugRequest
	if _, ok := s.take(w, r, &body); !ok {
		return
	}
	if body.Characteristic == "" || body.Part == "" || body.Plug != core.PlugGO && body.Plug != core.PlugNOGO {
		refuse(w, http.StatusBadRequest, "plug", "a GO or NO-GO result needs characteristic, part and plug (GO or NO-GO), name all three")
		return
	}
	rel, err := s.o.Trust.Plug(r.Context(), r.PathValue("machine"), core.Plug{
		Characteristic: body.Characteristic, Part: body.Part, Gauge: body.Gauge, Plug: body.Plug, Enters: body.Enters,
		Reason: body.Reason, Who: person(r),
	})
	if !s.accepted(w, rel.Declined(), err) {
		return
	}
	out := PlugResult{}
	for _, e := range rel.Events {
		if p, ok := e.(core.Plugged); ok {
			out = formatOf(r.Context()).plugResult(p)
		}
	}
	answer(w, http.StatusOK, out)
}

func (f Format) plugResult(p core.Plugged) PlugResult {
	out := PlugResult{Advice: p.Advice, Size: p.Size, AimNM: p.Aim}
	out.Say = f.T("r_refused", "plug", p.Plug)
	if p.Enters {
		out.Say = f.T("r_entered", "plug", p.Plug)
	}
	if p.Size != nil {
		out.Say = f.T("r_at", "what", out.Say, "size", f.size(*p.Size))
	}
	if p.Learned != nil {
		out.LeastNM = p.Learned.Least
	}
	if p.Advice != "" {
		out.Say += ": " + f.code(p.Advice)
	}
	if p.Aim != nil {
		out.Say += "; " + f.T("r_aim", "aim", f.size(*p.Aim))
	}
	return out
}
