package core

import (
	"slices"

	"offsetbridge/internal/length"
)

// RingRead: the gauge read a setting ring, as a measuring task had said it would.
// That is a ring check: the plant records it and tells every machine that the
// gauge serves.
type RingRead struct {
	Reading Reading       `json:"r"`
	Ring    string        `json:"rg"`
	AsFound length.Length `json:"d"` // reading − certified value
	Who     string        `json:"w"` // who set the task
}

// FromMachine is a record of a machine's stream that concerns the plant, which
// takes each once, in their order, whatever is handed over again.
type FromMachine struct {
	Machine string `json:"machine"`
	Record  uint64 `json:"record"`
	Event   Event  `json:"event"`
}

// Taken is the newest record of a machine's stream that the plant took.
type Taken struct {
	Machine string `json:"machine"`
	Record  uint64 `json:"record"`
	Count   uint64 `json:"count"` // how many it took of that machine
}

func (FromMachine) fact() {}

func (RingRead) Kind() string { return "ringread" }

func (e RingRead) Keys() Keys { return Keys{Gauge: e.Reading.Gauge, Person: e.Who} }

// What a reading of a ring that cannot be one is.
const (
	codeRingUnknown Code = "ring-none"
	codeNotRing     Code = "ring-far"
	codeLongTask    Code = "task-long"
)

func init() {
	AddWords(map[Code]string{
		codeRingUnknown: "the ring of the measuring task is none of this gauge's standards, list it at the gauge or correct the task",
		codeLongTask:    "a measuring task is about 33 sizes of a part at most, set several",
		codeNotRing:     "more than 1 mm off the ring of the measuring task, so it is not that ring, put the gauge on it and measure again",
	})
	decoders[RingRead{}.Kind()] = as[RingRead]
}

// farthestRing is how far from the certified value a reading may be of that ring.
const farthestRing = length.Millimetre

// tasked does what the open measuring task of a gauge says about its next
// reading: one of a ring is a ring check, and done; one that does not name its
// characteristic gets the task's, and where only a task can tell the part, that of
// the task that is open now, whatever is open once the reading is judged.
func (d *decision) tasked(r Reading) (Reading, bool) {
	if r.Manual != nil {
		return r, false
	}
	i := slices.IndexFunc(d.book().Tasks, func(t Task) bool { return t.Gauge == r.Gauge && d.s.now.valid(t) })
	if i >= 0 && d.book().Tasks[i].Ring != "" {
		return r, d.readRing(r, d.book().Tasks[i])
	}
	var t Task
	if i >= 0 {
		t = d.book().Tasks[i]
	}
	if r.Characteristic == "" {
		r.Characteristic = t.Characteristic
	}
	if t.Characteristic != "" && t.Characteristic != r.Characteristic {
		t.Part, t.Cut = "", 0 // it is about another one
	}
	if l, c := d.set().Find(r.Characteristic); l != nil && (d.byTask(r, l, c) || r.Part == "" && d.set().guesses()) {
		r.Part, r.Cut = t.Part, t.Cut
	}
	return r, false
}

// onward moves a measuring task to what is measured next of its part, once a reading
// has taken the place of what it was about.
func (s *State) onward(r Reading) {
	i := slices.IndexFunc(s.Ledger.Tasks, func(t Task) bool { return t.Gauge == r.Gauge })
	if i < 0 || r.Manual != nil {
		return
	}
	t := &s.Ledger.Tasks[i]
	if len(t.Then) > 0 && t.Ring == "" && t.Characteristic == r.Characteristic && t.Part == r.Part {
		t.Characteristic, t.Then = t.Then[0], t.Then[1:]
	}
}

// mostThen bounds what one measuring task is about.
const mostThen = 32

// task opens a measuring task, or closes it.
func (d *decision) task(f Task) {
	code := Code("")
	for _, name := range append([]string{f.Characteristic}, f.Then...) {
		if l, c := d.set().Find(name); name == "" && len(f.Then) == 0 {
			continue
		} else if l == nil {
			code = codeNoCharacteristic
		} else if d.use(Reading{Gauge: f.Gauge}, l, c) == nil {
			code = codeWrongGauge
		}
	}
	if code == "" && len(f.Then) > mostThen {
		code = codeLongTask
	}
	if code != "" {
		d.emit(Declined{What: "task", Cause: code, Who: f.Who})
		return
	}
	d.emit(Tasked{f})
}

// byTask reports whether a gauge's readings are tied to their parts by tasks alone.
func (d *decision) byTask(r Reading, l *Loop, c int) bool {
	u := d.use(r, l, c)
	return u != nil && u.Identity == identityTask
}

// guesses reports whether nothing at the machine says which part is which.
func (s *Settings) guesses() bool { return s.ByHand || slices.Contains(s.Lacks, LacksCounter) }

// untasked keeps a bare number that no open task gives a place, until somebody says
// what it is of. The same delivery once more is kept once.
func (d *decision) untasked(r Reading) {
	if r.Sequence > 0 && slices.ContainsFunc(d.book().Tray, func(u Unplaced) bool { return same(u.Reading, r) }) {
		return
	}
	d.emit(Unplaced{ID: d.book().LastTray + 1, Reading: r, Machine: d.set().Machine, Code: codeNoTask})
}

// readRing takes a reading of a ring. It reports false for one that was taken
// before, or must not be taken.
func (d *decision) readRing(r Reading, t Task) bool {
	if g := d.s.known(r.Gauge); r.Retained || g != nil && r.Sequence > 0 && r.Sequence <= g.Last && !(g.behind() && r.Sequence > g.Numbers.Late) {
		return false
	}
	j := Judged{Reading: r}
	if l, _ := d.set().Find(r.Characteristic); l != nil {
		j.Loop = l.Name
	}
	var ring *Ring
	if trust := d.set().trust(r.Gauge); trust != nil {
		ring = trust.ring(t.Ring)
	}
	switch {
	case ring == nil:
		j.Admit = codeRingUnknown
	case r.Value < ring.Value-farthestRing || r.Value > ring.Value+farthestRing:
		j.Admit = codeNotRing
	default:
		d.emit(RingRead{Reading: r, Ring: t.Ring, AsFound: r.Value - ring.Value, Who: t.Who.Principal})
		return true
	}
	d.emit(j)
	return true
}

// applyRingRead ends the task: it was about one reading.
func (s *State) applyRingRead(e RingRead) {
	s.Ledger.Rings++
	s.admitted(e.Reading)
	s.shown(e.Reading)
	s.Ledger.Tasks = slices.DeleteFunc(s.Ledger.Tasks, func(t Task) bool { return t.Gauge == e.Reading.Gauge })
}

// check returns what the plant records of a ring that was read by a task.
func (f FromMachine) check() (Check, bool) {
	e, ok := f.Event.(RingRead)
	if !ok {
		return Check{}, false
	}
	r := e.Reading
	c := Check{
		Gauge: r.Gauge, Standard: e.Ring, AsFound: e.AsFound, Temp: r.TempStandard, Sequence: r.Sequence, Source: r.Source,
		Who: Person{Principal: e.Who, Auth: ByMessage}, Machine: f.Machine, Record: f.Record,
	}
	for _, t := range []*Celsius{r.TempGauge, r.Temp} {
		if c.Temp == nil {
			c.Temp = t
		}
	}
	return c.tidy(), true
}

// Took returns the newest record of a machine's stream that the plant took.
func (p *Plant) Took(machine string) uint64 { return p.TakenOf(machine).Record }

// TakenOf returns what the plant took of a machine's stream. When it took as many
// as Ledger.Rings says that there are, nothing is left to take.
func (p *Plant) TakenOf(machine string) Taken {
	for _, t := range p.Taken {
		if t.Machine == machine {
			return t
		}
	}
	return Taken{Machine: machine}
}

// took remembers up to where a machine's stream was taken.
func (p *Plant) took(c Check) {
	if c.Machine == "" {
		return
	}
	i := slices.IndexFunc(p.Taken, func(t Taken) bool { return t.Machine == c.Machine })
	if i < 0 {
		p.Taken = push(p.Taken, Taken{Machine: c.Machine}, maxTaken)
		i = len(p.Taken) - 1
	}
	p.Taken[i].Record = max(p.Taken[i].Record, c.Record)
	p.Taken[i].Count++
}

// maxTaken bounds the machines that the plant remembers.
const maxTaken = 4096
