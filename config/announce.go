package config

import (
	"slices"
	"time"
)

// Announcement is a topic on which somebody, a scanner or a cell controller, says
// whose part is about to be cut or measured.
type Announcement struct {
	Name    string
	Kind    string // "pairing", "task", "setting" or "ring check"
	Topic   string // the template
	Lasts   time.Duration
	Message AnnouncementMessage

	TextNumbers, DecimalComma bool   // of a setting or a ring check: numbers may come in quotes, with a comma
	TimeFormat                string // of Message.Time
	Fahrenheit                bool   // temperatures come in °F, else in °C
}

// AnnouncementMessage says where in an announcement each field stands. A pairing
// has Machine, Part and maybe Counter; a task has Machine, Gauge, Characteristic
// and Part, maybe Cut, or Ring in place of the part; a setting and a ring check
// have Gauge, Standard, AsFound and Unit, maybe Person, Temperature, Sequence and
// Time.
type AnnouncementMessage struct {
	Machine, Part, Counter, Gauge, Characteristic, Cut, Ring Field

	Standard, AsFound, Unit, Person, Temperature, Sequence, Time Field
}

// The kinds of announcements.
const (
	Pairing = "pairing" // which serial the machine counts next
	Task    = "task"    // what the next bare reading of a gauge measures

	Setting   = "setting"    // a gauge was put on a standard and adjusted to it
	RingCheck = "ring check" // a gauge was put on a standard and left as it was
)

// Filter returns the subscription filter: each {level} matches one level.
func (a Announcement) Filter() string { return Gauge{Topic: a.Topic}.Filter() }

// Levels returns the names of the topic's levels, "" for the fixed ones.
func (a Announcement) Levels() []string { return Gauge{Topic: a.Topic}.Levels() }

const (
	machineField = "where the machine stands, as in \"{machine}\", or its name, as in \"=mill-1\""
	gaugeField   = "where the gauge it is for stands, as in \"/gauge\", or its name, as in \"=hand-7\""
	featureField = "where the characteristic stands, as in \"/characteristic\""
	serialField  = "where the part's serial stands, as in \"/serial\""
)

func readAnnouncement(t *table) Announcement {
	a := Announcement{Name: t.name(false)}
	if _, ok := t.need("kind", "what is announced: pairing, task, setting or ring check"); ok {
		a.Kind, _ = t.choice("kind", Pairing, Task, Setting, RingCheck)
	}
	if s, ok := t.need("topic", "where it is published, as in \"cell/{machine}/next-part\""); ok {
		a.Topic = t.topic(s, "{gauge}") // a level like any other
	}
	a.Lasts, _ = t.duration("lasts", 10*time.Minute, time.Second, 24*time.Hour)
	switch {
	case a.Kind == Pairing && t.has("lasts"):
		t.problem("lasts", "is of no use, as a pairing is good for one part: leave it out")
	case a.ofGauge() && t.has("lasts"):
		t.problem("lasts", "is of no use, as the gauge's own table setting says how long a setting holds: leave it out")
	}
	a.readForms(t)
	warm := false
	if m := t.table("message"); m != nil {
		a.readMessage(m)
		_, warm = m.m["temperature"]
		m.close()
	} else if !t.has("message") {
		t.problem("message", "is missing, write [announcement.message] with machine and part")
	}
	if a.ofGauge() {
		a.Fahrenheit = t.temperatureUnit(warm)
	}
	t.close()
	return a
}

func (a *Announcement) readMessage(t *table) {
	at, levels := &a.Message, a.Levels()
	read := func(to *Field, f mapped) {
		if t.has(f.name) {
			*to = t.field(f, levels)
		} else if f.missing != "" {
			t.problem(f.name, "is missing, write %s", f.missing)
		}
	}
	if !a.ofGauge() {
		read(&at.Machine, mapped{"machine", anywhere, false, machineField})
	}
	switch a.Kind {
	case Setting, RingCheck:
		a.readCheck(t, read)
	case Pairing:
		read(&at.Part, mapped{"part", sent, false, serialField})
		read(&at.Counter, mapped{"counter", sent, true, ""})
	case Task:
		read(&at.Gauge, mapped{"gauge", anywhere, false, gaugeField})
		read(&at.Characteristic, mapped{"characteristic", anywhere, false, featureField})
		read(&at.Part, mapped{"part", sent, true, ""})
		read(&at.Cut, mapped{"cut", sent, true, ""})
		read(&at.Ring, mapped{"ring", anywhere, true, ""})
		if !t.has("part") && !t.has("ring") {
			t.problem("part", "is missing, write where the part stands, as in \"/part\", or map ring for a setting ring")
		}
	default: // which keys belong here is not known
		for name := range t.m {
			t.known = append(t.known, name)
		}
	}
}

// checkAnnouncements looks at names and at what cannot work without one.
func (c *Config) checkAnnouncements(tables []*table, topics *topicTree) {
	names := map[string]bool{}
	for i, a := range c.Announcements {
		t := tables[i]
		if names[a.Name] {
			t.problem("name", "is taken by another announcement, name each once")
		} else if a.Topic != "" {
			if other := topics.add(a.Name, a.Filter()); other != "" {
				t.problem("topic", "can match the same message as the topic of %q: a message must belong to one of them, tell them apart by a level", other)
			}
		}
		if a.Name != "" {
			names[a.Name] = true
		}
		message := t.section("message")
		if m := a.Message.Machine; m.Kind == Constant && c.Machine(m.Text) == nil {
			message.unknown("machine", m.Text, "machine", c.machineNames())
		}
		if g := a.Message.Gauge; g.Kind == Constant && c.Gauge(g.Text) == nil {
			message.unknown("gauge", g.Text, "gauge", c.gaugeNames())
		}
		a.checkForms(t)
		if s := a.Message.Standard; s.Kind == Constant && c.standard(s.Text) == nil {
			message.unknown("standard", s.Text, "standard", c.standardNames())
		}
	}
}

// serials warns where a reading brings a serial and nobody says which part of
// the machine has it.
func (l *loopReader) serials(t *table, g *Gauge) {
	if g.Identity != "serial" || l.machine == nil || l.machine.Nodes.PartSerial != "" {
		return
	}
	if !slices.ContainsFunc(l.c.Announcements, func(a Announcement) bool { return a.Kind == Pairing }) {
		t.warn("gauges", "holds gauge %q, whose readings name a serial, but neither the machine (nodes.part_serial) nor a pairing announcement says which part has it: its readings will wait", g.Name)
	}
}
