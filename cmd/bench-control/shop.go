package main

import (
	"math"
	"strconv"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
	"offsetbridge/simulators/plant"
)

// shop drives the production core as the daemon does: samples of the machine before, during and
// after each cut, readings tied to their part by its count, a second reading where one is asked
// for, the machine's answer to each write, and a person who answers.
type shop struct {
	settings core.Settings
	state    *core.State
	effect   float64 // nominal, change of size per unit of register
	mono     float64 // virtual time, ms
	sample   core.Sample
	until    float64 // when the part being cut is done, ms
	cuts     bool
	seq      uint64 // of the gauge
	plant    uint64 // of the plant's stream

	delay   int     // the person answers after so many parts
	due     int64   // the part before which the next answer is given; 0 is none
	refuses bool    // the person clears no hold
	scale   float64 // of what the gauge sends, where its unit is another than was said; 0 is 1
	watch   func(core.Event)

	prompts, holds int
	wrong          bool // it was held for its response
}

func newShop(p plant.Params, set core.Settings, delay int) *shop {
	s := &shop{settings: set, state: &core.State{}, effect: p.Effect, delay: delay}
	s.settings.Fresh = math.MaxInt64 / 4 // virtual time: a sample holds until the next
	s.sample = core.Sample{
		Epoch: 1, Program: program, Permitted: true, Tools: []int64{1}, Registers: []length.Length{0},
	}
	for _, f := range []core.Fact{
		core.Started{Version: "bench", Epoch: 1}, core.Configure{Settings: s.settings},
		core.Verified{OK: true}, core.Link{Up: true, Epoch: 1},
	} {
		s.feed(f)
	}
	s.look()
	return s
}

// feed hands a fact to the core, and carries out the writes it asks for.
func (s *shop) feed(f core.Fact) []core.Event {
	events := s.state.Step(core.Input{At: core.Instant{Mono: int64(s.mono), Wall: int64(s.mono)}, Fact: f})
	for _, e := range events {
		if s.watch != nil {
			s.watch(e)
		}
		switch e := e.(type) {
		case core.Intended:
			s.sample.Registers = []length.Length{e.New}
			now := s.next()
			s.feed(core.Outcome{Intent: e.Intent.ID, Result: core.Applied, Read: e.New, Sample: &now})
		case core.Held:
			s.holds++
			s.wrong = s.wrong || e.Cause == "response"
		}
	}
	return events
}

func (s *shop) next() core.Sample {
	s.sample.Order++
	return s.sample
}

func (s *shop) look() { s.feed(s.next()) }

// finish ends the cut that is under way.
func (s *shop) finish() {
	if !s.cuts {
		return
	}
	s.cuts, s.mono = false, s.until
	s.sample.Counter++
	s.sample.Permitted = true
	s.look()
}

func (s *shop) note(coming plant.Part) {
	s.finish()
	const look = 60_000.0 // between two looks at a machine that stands still
	for rest := coming.StopMinutes * 60_000; rest > 0; rest -= look {
		s.mono += min(rest, look)
		s.look()
	}
	if coming.NewTool && coming.Reported && coming.Index > 0 {
		s.sample.Tools = []int64{s.sample.Tools[0] + 1}
		s.look()
	}
}

func (s *shop) set(asFound float64) {
	s.finish()
	s.plant++
	check := core.Check{Gauge: gauging, Standard: ring, AsFound: micrometres(asFound), Who: setter}
	s.feed(core.FromPlant{Record: s.plant, Event: core.Set{Check: check}})
}

func micrometres(um float64) length.Length {
	return length.Length(math.Round(um*10) * 100) // the gauge shows tenths of a micrometre
}

var setter = core.Person{Principal: "setter", Role: core.Setter, Auth: "bench"}

func (s *shop) observe(part plant.Part, deviation float64, _ int) bool {
	s.finish()
	s.seq++
	again := false
	for _, e := range s.feed(core.Reading{
		Gauge: gauging, Sequence: s.seq, Characteristic: sized,
		Part: strconv.FormatInt(part.Index+1, 10), Value: s.scaled(aimNM + micrometres(deviation)),
	}) {
		if j, ok := e.(core.Judged); ok {
			again = j.Estimate == "suspect"
		}
	}
	return again
}

// decide lets the person answer, and begins the next cut.
func (s *shop) decide(_ float64, part int64, minute float64) float64 {
	s.finish()
	s.answer(part)
	s.cuts, s.until, s.sample.Permitted = true, minute*60_000, false
	s.look()
	return s.sample.Registers[0].Micrometres() * s.effect
}

// answer is the person: always yes to what is asked, and a look at what holds the loop.
func (s *shop) answer(part int64) {
	var card *core.Open
	for i := range s.state.Ledger.Proposals {
		if p := &s.state.Ledger.Proposals[i]; p.Status == core.Pending {
			card = p
		}
	}
	held := s.state.HoldOn("loop")
	if s.refuses {
		held = nil
	}
	if card == nil && held == nil {
		s.due = 0
		return
	}
	if s.due == 0 {
		s.due = part + 1 + int64(s.delay)
	}
	if part+1 < s.due {
		return
	}
	s.due = 0
	s.prompts++
	who := setter
	who.Role = core.Engineer
	if held != nil {
		s.feed(core.Resume{Loop: held.Loop, Cause: held.Cause, Note: "looked at it", Who: who})
		return
	}
	s.feed(core.Approve{Proposal: card.ID, Digest: card.Digest, Who: who})
}

func (s *shop) asked() (prompts, holds int, wrong bool) { return s.prompts, s.holds, s.wrong }
