package app

import (
	"fmt"
	"slices"

	"go.uber.org/zap"

	"offsetbridge/config"
	"offsetbridge/internal/core"
	"offsetbridge/internal/intake"
)

// Judge says of raw messages what the daemon of a configuration would do with
// them, by the very mappings that it would use. Not for concurrent use.
type Judge struct {
	c    *config.Config
	maps []*intake.Mapping
	have map[string][]string // characteristic → machines
}

// NewJudge readies a configuration's mappings.
func NewJudge(c *config.Config) (*Judge, error) {
	o, err := intakeOptions(c, zap.NewNop())
	if err != nil {
		return nil, err
	}
	j := &Judge{c: c, have: map[string][]string{}}
	for _, g := range o.Gauges {
		m, err := g.Compile()
		if err != nil {
			return nil, err
		}
		j.maps = append(j.maps, m)
	}
	for _, l := range c.Loops {
		for _, ch := range l.Characteristics {
			j.have[ch.Name] = append(j.have[ch.Name], l.Machine)
		}
	}
	return j, nil
}

// Verdict is what would become of one message.
type Verdict struct {
	Gauge string `json:"gauge,omitempty"` // or the announcement, whose topic it is
	Used  bool   `json:"used"`            // it would reach its loop, which has rules of its own
	Code  string `json:"code,omitempty"`
	Say   string `json:"say"`
}

// Say judges one message.
func (j *Judge) Say(r intake.Raw) Verdict {
	i := slices.IndexFunc(j.maps, func(m *intake.Mapping) bool { return m.Matches(r.Topic) })
	if i < 0 {
		return Verdict{Code: string(intake.NoGauge), Say: "not used: no gauge or announcement is mapped to this topic"}
	}
	m := j.maps[i]
	v := Verdict{Gauge: m.Gauge().Name}
	payload := r.Payload
	if r.Size > len(payload) {
		payload = make([]byte, r.Size) // refused for its size, whatever it says
	}
	out := m.Parse(r.Topic, payload, r.Retained)
	if out.Rejected != "" {
		v.Code, v.Say = string(out.Rejected), "not used: "+out.Why
		return v
	}
	reading, ok := out.Fact.(core.Reading)
	if !ok {
		return j.announced(v, out)
	}
	if code, ok := j.fits(out.Machine, reading); !ok {
		v.Code, v.Say = string(code), "not used: "+code.Words()
		return v
	}
	v.Used = true
	v.Say = fmt.Sprintf("used: %s of %s = %s", orTask(reading.Characteristic), out.Machine, reading.Value)
	switch {
	case reading.Retained:
		v.Used, v.Say = false, "not used: the broker kept it from an earlier time, and such a one steers nothing"
	case reading.State != "":
		v.Used, v.Say = false, fmt.Sprintf("recorded only: its state %q means no part of the series", reading.State)
	case reading.Sequence == 0:
		v.Say += ", at most confirm: it brings no sequence, so a repetition could not be told"
	case m.Gauge().Identity == "task" || m.Gauge().Identity == "order":
		v.Say += fmt.Sprintf(", at most confirm: whose part it is comes by %s", m.Gauge().Identity)
	}
	return v
}

func orTask(characteristic string) string {
	if characteristic == "" {
		return "what the open measuring task says"
	}
	return fmt.Sprintf("%q", characteristic)
}

func (j *Judge) announced(v Verdict, out intake.Result) Verdict {
	v.Used, v.Say = true, "used: an announcement"
	if out.Machine != "" && j.c.Machine(out.Machine) == nil {
		v.Used, v.Code, v.Say = false, string(codeNoMachine), "not used: "+codeNoMachine.Words()
	}
	return v
}

// fits is what the daemon's router and the loop's list of gauges say.
func (j *Judge) fits(machine string, r core.Reading) (core.Code, bool) {
	if machine != "" && j.c.Machine(machine) == nil {
		return codeNoMachine, false
	}
	if r.Characteristic == "" {
		return "", true
	}
	has := j.have[r.Characteristic]
	switch {
	case len(has) == 0:
		return codeNowhere, false
	case machine != "" && !slices.Contains(has, machine):
		return codeNotThisMachine, false
	case machine == "" && len(has) > 1:
		return codeSeveral, false
	}
	for _, l := range j.c.Loops {
		for _, ch := range l.Characteristics {
			if ch.Name == r.Characteristic && (machine == "" || l.Machine == machine) &&
				slices.ContainsFunc(ch.Gauges, func(u core.GaugeUse) bool { return u.Gauge == r.Gauge }) {
				return "", true
			}
		}
	}
	return codeNotItsGauge, false
}
