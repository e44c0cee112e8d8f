package app

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"offsetbridge/config"
	"offsetbridge/internal/core"
	"offsetbridge/internal/intake"
	"offsetbridge/internal/length"
	"offsetbridge/internal/machine"
	"offsetbridge/testdata/peers/shop"
)

// overhear listens to a broker until n messages came, while do makes them.
func overhear(t *testing.T, broker string, n int, do func() error) []intake.Raw {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	over, made := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(made)
		for {
			select {
			case <-over:
				return
			case <-time.After(50 * time.Millisecond): // the pace of parts
				if err := do(); err != nil {
					t.Error(err)
					return
				}
			}
		}
	}()
	var heard []intake.Raw
	err := intake.Listen(ctx, intake.Options{Broker: broker}, "cell/#", func(r intake.Raw) bool {
		heard = append(heard, r)
		return len(heard) < n
	})
	close(over)
	<-made
	if err != nil || len(heard) != n {
		t.Fatalf("%d messages, %v", len(heard), err)
	}
	return heard
}

// A cell that is configured by nothing but what a look at the broker and at the
// independent machine proposed, and one line from the drawing, takes a reading to
// its loop, which observes and writes nothing.
func TestACellFromDraftsAlone(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{Seed: 3})
	d := Draft{Broker: "mqtt://" + s.Broker.Addr(), Loops: []DraftLoop{{shop.Feature, "28 H8", "milled bore", shop.Register}}}
	var p intake.Proposal
	part := func() error {
		made, err := s.Cut()
		if err == nil {
			_, err = s.Measure(context.Background(), made)
		}
		return err
	}
	for _, r := range overhear(t, d.Broker, 3, part) {
		p.Understand(r)
	}
	d.Proposals = []*intake.Proposal{&p}
	l, err := machine.List(context.Background(), machine.Options{Endpoint: s.Machine.Endpoint}, machine.ListOptions{})
	if err != nil {
		t.Fatal(err)
	}
	d.Machines = []DraftMachine{{Listing: l, Policy: "None", Mode: "None"}}
	text, err := d.Text()
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	path := filepath.Join(s.Dir, "draft.toml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	run := start(t, path)
	run.live(t)
	used := func(j core.Judged) bool { return j.Admit == "" && j.Attribute == "" && j.Loop == shop.Feature }
	shop.Wait(t, "a reading reaches its loop", func() bool {
		if err := part(); err != nil {
			t.Fatal(err)
		}
		return len(find(run, used)) > 0
	})
	if st, err := s.Machine.State(); err != nil || len(st.Log) != 0 {
		t.Errorf("a draft wrote: %v, %v", st.Log, err)
	}
}

// What nobody tells is asked for, never guessed: the section stays a comment.
func TestADraftGuessesNothing(t *testing.T) {
	proposal := func(payload string) *intake.Proposal {
		p := &intake.Proposal{}
		p.Understand(intake.Raw{Topic: "hall/g-7", Payload: []byte(payload), Size: len(payload)})
		return p
	}
	d := Draft{Broker: "mqtt://127.0.0.1:1883", Proposals: []*intake.Proposal{proposal("28.012")}}
	text, err := d.Text()
	if err != nil || !strings.Contains(text, "# Nobody tells its unit (declare it with --unit)") || strings.Contains(text, "\nunit = ") {
		t.Errorf("%v\n%s", err, text)
	}
	d.Unit = length.MM
	text, err = d.Text()
	if err != nil || !strings.Contains(text, "\nbare_number = true") || !strings.Contains(text, "identity = \"task\"") {
		t.Errorf("%v\n%s", err, text)
	}
	c, err := config.Parse("draft", []byte(text))
	if err != nil || len(c.Gauges) != 1 || !c.Gauges[0].BareNumber {
		t.Fatalf("%v", err)
	}
	// Added to what is there already, nothing is proposed twice.
	d.Base, d.Config = []byte(text), c
	if more, err := d.Text(); err != nil || strings.Contains(more, "[[gauge]]") {
		t.Errorf("%v\n%s", err, more)
	}
	// A loop of a register that nobody offers is a problem, not a loop.
	d = Draft{Loops: []DraftLoop{{"bore", "28 H8", "milled bore", "nowhere"}}, Proposals: d.Proposals, Unit: length.MM, Broker: d.Broker}
	var problems config.Problems
	if _, err := d.Text(); !errors.As(err, &problems) {
		t.Errorf("%v", err)
	}
}

// A server without a serial is no machine yet, as nobody could tell it from its twin.
func TestADraftOfAMachineWithoutASerial(t *testing.T) {
	d := Draft{Machines: []DraftMachine{{Policy: "None", Mode: "None", Listing: machine.Listing{Endpoint: "opc.tcp://127.0.0.1:4840", Nodes: []machine.Listed{
		{ID: "nsu=urn:a;s=w", Path: "m/wear T1", Name: "wear T1", Type: "Double", Numeric: true, Writable: true, Length: length.MM, Unit: "mm", Value: "0"},
		{ID: "nsu=urn:a;s=v", Path: "m/speed", Name: "speed", Type: "Double", Numeric: true, Writable: true, Value: "0"},
	}}}}}
	text, err := d.Text()
	if err != nil || !strings.Contains(text, "tells no serial") || strings.Contains(text, "\nendpoint = \"opc.tcp://127.0.0.1:4840\"") {
		t.Errorf("%v\n%s", err, text)
	}
	if !strings.Contains(text, "1 writable numbers tell no unit") {
		t.Errorf("%s", text)
	}
}

// The judge uses the mappings of the configuration itself.
func TestTheJudge(t *testing.T) {
	c, err := config.Parse("demo.toml", config.Demo)
	if err != nil {
		t.Fatal(err)
	}
	j, err := NewJudge(c)
	if err != nil {
		t.Fatal(err)
	}
	good := `{"value":28.0131,"unit":"mm","sequence":118,"time":"2026-03-02T06:12:44Z","characteristic":"bore 28 H8","part":"57"}`
	for _, x := range []struct {
		topic, payload, want string
		used                 bool
	}{
		{"cell/mill-1/gauge/bore-1/reading", good, `used: "bore 28 H8" of mill-1 = 28.0131 mm`, true},
		{"cell/lathe-2/gauge/bore-1/reading", good, "the machine named has no characteristic of that name", false},
		{"cell/mill-9/gauge/bore-1/reading", good, "no machine of that name is configured", false},
		{"cell/mill-1/gauge/thread-1/reading", strings.Replace(good, "28.0131", "28.013", 1), "outside the gauge's range", false},
		{"cell/mill-1/gauge/bore-9/reading", good, "no gauge or announcement is mapped to this topic", false},
		{"cell/mill-1/gauge/bore-1/reading", strings.Replace(good, "28.0131", `"28,0131"`, 1), "in quotes", false},
		{"cell/mill-1/gauge/bore-1/reading", "", "the message is empty", false},
		{"cell/mill-1/gauge/bore-1/reading", strings.Replace(good, `"mm"`, `"in"`, 1), "not used: ", false},
		{"cell/mill-1/gauge/bore-1/reading", strings.Replace(good, "bore 28 H8", "bore", 1), "no machine has a characteristic of that name", false},
		{"cell/ring-station/set", `{"gauge":"bore-1","standard":"ring 28 A","as_found":0.001,"unit":"mm","time":"2026-03-02T06:12:44Z","person":"p"}`, "an announcement", true},
	} {
		v := j.Say(intake.Raw{Topic: x.topic, Payload: []byte(x.payload), Size: len(x.payload)})
		if v.Used != x.used || !strings.Contains(v.Say, x.want) {
			t.Errorf("%s %s: %+v, want %s", x.topic, x.payload, v, x.want)
		}
	}
	if v := j.Say(intake.Raw{Topic: "cell/mill-1/gauge/bore-1/reading", Payload: []byte(good), Size: len(good), Retained: true}); v.Used {
		t.Errorf("a retained reading: %+v", v)
	}
}
