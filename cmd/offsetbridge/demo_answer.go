package main

import (
	"context"

	"offsetbridge/internal/app"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
	"offsetbridge/internal/web"
	"offsetbridge/simulators/cell"
)

// answers follows how the sizes of one loop answer to what was asked of them, to
// tell it in a setter's words.
type answers struct {
	size    length.Length // asked for by the newest proposal
	first   bool          // which is of a first part
	last    length.Length // newest size from aim
	read    bool
	asked   length.Length // written since the story began, in size
	from    length.Length // size from aim when it did
	writes  int
	proving bool // a first part's correction was written, its next part tells
}

func (m *witnessed) of(loop string) *answers {
	if m.story[loop] == nil {
		m.story[loop] = &answers{}
	}
	return m.story[loop]
}

// answer follows one event, and tells when a first part is right and when a size
// answers the wrong way. It is called after the event was told.
func (w *witness) answer(machine string, m *witnessed, e core.Event) {
	switch e := e.(type) {
	case core.ToolChanged, core.Moved:
		clear(m.story)
	case core.Resumed:
		delete(m.story, e.Loop)
	case core.Proposed:
		a := m.of(e.Loop)
		a.size, a.first = e.Size, e.First
	case core.Concluded:
		if a := m.of(e.Loop); e.Result == core.Applied && a.read {
			if a.writes == 0 {
				a.from = a.last
			}
			a.asked, a.writes = a.asked+a.size, a.writes+1
			a.proving = a.first
		}
	case core.Judged:
		if e.Admit != "" || e.Attribute != "" || e.Gather != "" {
			return
		}
		a := m.of(e.Loop)
		if a.proving && e.Estimate == "" {
			a.proving = false
			w.say("%s  %s: the first part after the set-up was %s from aim, the next one is %s: asked to move by %s, it moved by %s", machine, e.Loop,
				sized(a.last), sized(e.Deviation), sized(a.size), sized(e.Deviation-a.last))
		}
		a.last, a.read = e.Deviation, true
	case core.Held:
		if a := m.of(e.Loop); e.Cause == "response" && a.writes > 0 {
			w.say("%s  %s: in %d changes the size was asked to move by %s, and it moved by %s: stopped before it runs off further. Nothing is written until somebody has looked at sign and register",
				machine, e.Loop, a.writes, sized(a.asked), sized(a.last-a.from))
		}
	}
}

func sized(l length.Length) string { return l.Signed(length.MM, 4) }

// reckon shows the arithmetic of a card as a setter would check it.
func (w *witness) reckon(ctx context.Context, a *app.App, machine string, id uint64) {
	if w.d.json {
		return
	}
	s, err := a.Status(ctx)
	if err != nil {
		return
	}
	for _, m := range s.Machines {
		for _, p := range m.Proposals {
			if c := web.CardOf(p); m.Machine == machine && p.ID == id && c.ByHand != "" {
				w.say("%s  %s: by hand: %s", machine, c.Loop, c.ByHand)
			}
		}
	}
}

// reversed notes whose register answers the other way.
func (w *witness) reversed(u *cell.Unit) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.swapped = u
}

// repair lets the engineer who looks at a wrong response find its cause.
func (w *witness) repair(h core.Held) {
	w.mu.Lock()
	u := w.swapped
	if h.Cause != "response" {
		u = nil
	}
	if u != nil {
		w.swapped = nil
	}
	w.mu.Unlock()
	if u == nil {
		return
	}
	w.say("%s: the engineer finds the sign swapped in the control and puts it right", u.Machine.Name)
	u.Reverse(bore, false)
}
