package web

import (
	"html"
	"net/http"
	"slices"
	"strings"
	"testing"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// set-up of a thread with T7: every step of it is read off the record.
func setUpPlant(s *shown) *core.LoopInside {
	far := length.Length(15_100_000)
	s.plant.entries = []Entry{}
	s.plant.inside = core.Inside{
		Tools: []core.ToolView{{Name: "T7", Loops: []string{"thread"}}, {Name: "T9", Loops: []string{}}},
		Close: []core.LoopInside{{
			LoopView: core.LoopView{Name: "thread", Mode: core.Auto, First: true}, Tool: "T7", Trouble: "g-setting",
			Turns: []core.RegisterView{{Name: "T7 R", Unit: length.MM, Step: 1_000, Known: true, Value: 5_000}},
			Learned: []core.Learned{{
				Characteristic: core.Characteristic{Name: "pitch", Thread: true, Aim: 15_120_000, Limits: length.Range{Low: 15_026_000, High: 15_216_000}, Gauges: []core.GaugeUse{{Gauge: "thread-1"}}},
				Aside:          &far, Reachable: 40_000,
			}},
			CannotFO: "first-size",
		}},
	}
	return &s.plant.inside.Close[0]
}

// now returns the key of the step that is to be done.
func stepNow(t *testing.T, b *browser) (name, body string) {
	t.Helper()
	status, body, _ := b.look("/first?machine=mill&tool=T7")
	if status != http.StatusOK {
		t.Fatalf("%d %s", status, body)
	}
	_, after, _ := strings.Cut(body, `aria-current="step"><h3>`)
	name, _, _ = strings.Cut(after, "<")
	return name, html.UnescapeString(body)
}

func at(t *testing.T, b *browser, step string, texts ...string) {
	t.Helper()
	name, body := stepNow(t, b)
	if name != step {
		t.Fatalf("the step to do is %q, want %q", name, step)
	}
	wants(t, step, body, texts...)
}

func TestAFirstPartStepByStep(t *testing.T) {
	s := open(t, true)
	l := setUpPlant(s)
	b := s.browser(t)
	b.signIn("p2", "805133")
	at(t, b, "Gauge and ring", "note what it shows before you adjust it")
	l.Trouble = ""
	at(t, b, "Cut on the safe side", "thread-1: in order.", "Cut to 15.1000\u00a0mm: 0.0200\u00a0mm smaller than the aim", "moves 0.0400\u00a0mm at most", "T7 R +0.005\u00a0mm")
	s.plant.inside.Tools[0].Parts = 1
	at(t, b, "Measure it", "The reading arrives by itself", "/enter?machine=mill&characteristic=pitch")

	z := &l.Learned[0]
	size := func(seq uint64, part string, from, command length.Length) Entry {
		return entry(seq, core.Judged{Loop: "thread", Count: seq, Deviation: from, Command: command, Reading: core.Reading{Gauge: "thread-1", Characteristic: "pitch", Part: part, Value: 15_120_000 + from}})
	}
	z.Used, z.Part, z.Newest = 1, "1", &core.MeasuredView{Size: 15_101_000, Say: "in doubt"}
	s.plant.entries = []Entry{size(2, "1", -19_000, 0)}
	p := core.ProposalView{
		Open: core.Open{Status: core.Pending, Proposal: core.Proposal{
			ID: 17, Loop: "thread", Tool: "T7", Part: "1", Digest: "d9", Need: core.Setter, Reason: "first-part", First: true,
			Measured: 15_101_000, Aim: 15_120_000, Moves: []core.Move{{Register: "T7 R", Old: 5_000, New: -4_000, Size: 18_000}},
		}},
		Machine: "mill", Control: []core.Shown{{Unit: length.MM, Step: 1_000, Effect: -2_000, Was: 5_000}},
	}
	l.Open = &p
	at(t, b, "Decide the change", "15.1010 mm measured, register −0.009 mm × −2 = +0.0180 mm: next 15.1190 mm (aim 15.1200 mm)",
		`action="/do/v1/queue/mill/17/approve"`, `value="d9"`, "−0.004\u00a0mm")
	l.Open = nil
	s.plant.entries = []Entry{
		entry(5, core.Concluded{Outcome: core.Outcome{Intent: 3, Result: core.Applied, Read: -4_000}, Loop: "thread", Register: "T7 R"}),
		entry(4, core.Intended{Intent: core.Intent{ID: 3, Proposal: 17, Loop: "thread", Register: "T7 R", Old: 5_000, New: -4_000}}),
		entry(3, core.Approved{Proposal: 17, Loop: "thread", Who: core.Person{Principal: "p2"}}),
		size(2, "1", -19_000, 0),
	}
	at(t, b, "Cut again, measure again", "T7 R +0.005\u00a0mm → −0.004\u00a0mm, Bo.")
	s.plant.entries = slices.Insert(s.plant.entries, 0, size(6, "2", -18_500, 0)) // was cut before the change
	at(t, b, "Cut again, measure again")
	s.plant.entries = slices.Insert(s.plant.entries, 0, size(7, "1", -1_500, 18_000))
	at(t, b, "GO and NO-GO", "Commanded +0.0180\u00a0mm, came +0.0170\u00a0mm", "not tried yet", `action="/do/v1/machines/mill/plugs"`)
	z.GO, z.NOGO, l.CannotFO = core.PlugEnters, core.PlugRefused, ""
	at(t, b, "Sign the first part", `action="/do/v1/machines/mill/loops/thread/first"`, "Sign part 1")
	l.Signed = &core.Signed{Part: "1", Who: "p2"}
	if name, body := stepNow(t, b); name != "" || !strings.Contains(body, "part 1, signed by Bo") || strings.Contains(body, `data-state="later"`) {
		t.Errorf("after the signature %q is to be done", name)
	}
}

// A change that took the size the other way is not called proven, and neither is
// one that the scatter hides.
func TestTheProofOfAFirstPartIsHonest(t *testing.T) {
	s := open(t, true)
	l := setUpPlant(s)
	l.Trouble = ""
	l.Learned[0].Used, l.Learned[0].Newest = 2, &core.MeasuredView{}
	after := func(seen, sigma length.Length) []Entry {
		return []Entry{
			entry(6, core.Judged{Loop: "thread", Count: 6, Seen: seen, SeenSigma: sigma, Command: 18_000, Reading: core.Reading{Characteristic: "pitch", Part: "2"}}),
			entry(5, core.Moved{Register: "T7 R", Old: 5_000, New: -4_000}),
			entry(2, core.Judged{Loop: "thread", Count: 2, Reading: core.Reading{Characteristic: "pitch", Part: "1"}}),
		}
	}
	for text, story := range map[string][]Entry{
		"it answers":             after(17_000, 3_000),
		"the wrong way":          after(-17_000, 3_000),
		"to prove the direction": after(17_000, 9_000),
	} {
		s.plant.entries = story
		at(t, s.browser(t), "GO and NO-GO", text, "typed in at the control")
	}
	s.plant.entries = append([]Entry{entry(9, core.ToolChanged{Tool: "T7"})}, after(17_000, 3_000)...)
	l.Learned[0].Used = 0
	at(t, s.browser(t), "Cut on the safe side")
}

// A loop that writes nothing shows what to type, and the hand at the panel counts.
func TestAFirstPartOfALoopThatOnlyObserves(t *testing.T) {
	s := open(t, true)
	l := setUpPlant(s)
	l.Trouble, l.Mode = "", core.Observe
	l.Learned[0].Used, l.Learned[0].Newest = 1, &core.MeasuredView{}
	read := entry(2, core.Judged{Loop: "thread", Count: 2, Deviation: -19_000, Moves: []core.Move{{Register: "T7 R", Old: 5_000, New: -4_000}}, Route: "observe", Reading: core.Reading{Characteristic: "pitch", Part: "1"}})
	s.plant.entries = []Entry{read}
	at(t, s.browser(t), "Decide the change", "Type at the control: T7 R +0.005\u00a0mm → −0.004\u00a0mm")
	s.plant.entries = []Entry{entry(3, core.Moved{Register: "T7 R", Old: 5_000, New: -4_000}), read}
	at(t, s.browser(t), "Cut again, measure again")
}

func TestWhereAFirstPartIsDue(t *testing.T) {
	s := open(t, true)
	setUpPlant(s)
	b := s.browser(t)
	_, body, _ := b.look("/first")
	wants(t, "nothing due", body, "No first part is due")
	s.plant.status.Machines[0].Loops = []core.LoopView{{Name: "thread", First: true}, {Name: "bore"}}
	s.pass(0)
	_, body, _ = s.browser(t).look("/first?q=MIL")
	wants(t, "found", body, `/first?machine=mill`)
	_, body, _ = b.look("/first?machine=mill")
	wants(t, "the tools", body, `/first?machine=mill&tool=T7`)
	if strings.Contains(body, "T9") {
		t.Error("a tool that no loop steers with is offered")
	}
	for _, path := range []string{"/first?machine=none", "/first?machine=mill&tool=T8"} {
		if status, _, _ := b.look(path); status != http.StatusNotFound {
			t.Errorf("%s: %d", path, status)
		}
	}
	_, body, _ = b.look("/first?machine=mill&tool=T7")
	if strings.Contains(body, "/tools/T7/new") {
		t.Error("somebody who is not signed in is offered a new insert")
	}
}

func TestANewInsertIsOneTapOfASetter(t *testing.T) {
	s := open(t, true)
	setUpPlant(s)
	b := s.browser(t)
	const form = `action="/do/v1/machines/mill/tools/T7/new"`
	b.signIn("p1", "274916")
	if _, body, _ := b.look("/machine?machine=mill"); strings.Contains(body, form) {
		t.Error("an operator is offered it")
	}
	b.signIn("p2", "805133")
	_, body, _ := b.look("/machine?machine=mill")
	wants(t, "the machine", body, form, "/first?machine=mill&tool=T7")
	status, _, h := b.fill("/do/v1/machines/mill/tools/T7/new", "to", "/first?machine=mill&tool=T7", "said", "new_insert")
	want := core.Renew{Tool: "T7", Who: core.Person{Principal: "p2", Role: core.Setter, Auth: "pin"}}
	if all := s.plant.made(); status != http.StatusSeeOther || len(all) != 1 || all[0] != core.Fact(want) {
		t.Fatalf("%d %+v", status, all)
	}
	_, body, _ = b.look(h.Get("Location"))
	wants(t, "afterwards", body, "Noted: the next part is a first part.")
}
