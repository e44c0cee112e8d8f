package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/length"
	"offsetbridge/internal/web"
	"offsetbridge/testdata/peers/shop"
)

// process is `offsetbridge run` as a process of its own.
type process struct {
	cmd    *exec.Cmd
	log    *logLines
	client *web.Client
	ended  chan struct{}
	code   int
}

// logLines keeps what a process writes to standard error.
type logLines struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logLines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logLines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// has reports whether the log holds a sentence.
func (l *logLines) has(sentence string) bool { return strings.Contains(l.String(), sentence) }

// launch starts the daemon for a shop's configuration; a wrapper, such as a
// shell that sets limits, may come before the command.
func launch(t testing.TB, s *shop.Shop, wrapper ...string) *process {
	t.Helper()
	args := append(wrapper, "offsetbridge", "run", "--json", "-c", s.Path())
	d := &process{cmd: exec.Command(args[0], args[1:]...), log: &logLines{}, client: newClient(s), ended: make(chan struct{})}
	d.cmd.Stderr = d.log
	if err := d.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		d.cmd.Wait() //nolint:errcheck // the code says it
		d.code = d.cmd.ProcessState.ExitCode()
		close(d.ended)
	}()
	t.Cleanup(func() {
		d.kill()
		if t.Failed() {
			t.Logf("the daemon said:\n%s", tailOf(d.log.String()))
			t.Logf("the journal says:\n%s", tailOf(story(s)))
		}
	})
	return d
}

func tailOf(s string) string { return s[max(0, len(s)-8000):] }

// kill ends the process as a power cut would.
func (d *process) kill() {
	d.cmd.Process.Kill() //nolint:errcheck // gone already
	<-d.ended
}

// stop asks the process to end and waits for it.
func (d *process) stop(t testing.TB) {
	t.Helper()
	d.signal(t, syscall.SIGTERM)
	select {
	case <-d.ended:
	case <-time.After(time.Minute):
		t.Fatal("the daemon did not end within a minute of SIGTERM")
	}
}

func (d *process) signal(t testing.TB, s os.Signal) {
	t.Helper()
	if err := d.cmd.Process.Signal(s); err != nil {
		t.Fatal(err)
	}
}

// newClient talks to whatever daemon runs for a shop.
func newClient(s *shop.Shop) *web.Client { return web.NewClient(s.Socket()) }

// status asks the daemon; false while it does not answer.
func (d *process) status() (web.Status, bool) {
	var s web.Status
	err := d.client.Get(context.Background(), "/v1/status", nil, &s)
	return s, err == nil
}

// live waits until broker and machine are connected and the journal is checked.
func (d *process) live(t testing.TB) {
	t.Helper()
	shop.Wait(t, "connected to broker and machine", func() bool {
		select {
		case <-d.ended:
			t.Fatalf("the daemon ended with code %d", d.code)
		default:
		}
		s, ok := d.status()
		return ok && s.Broker.Up && s.Journal.Verified && len(s.Machines) == 1 && s.Machines[0].Up && s.Machines[0].Registers[0].Known
	})
}

// cards lists what waits for a person.
func (d *process) cards() []web.Card {
	var answer struct {
		Proposals []web.Card `json:"proposals"`
	}
	d.client.Get(context.Background(), "/v1/queue", nil, &answer) //nolint:errcheck // none then
	return answer.Proposals
}

// approve says yes to a card.
func (d *process) approve(c web.Card) error {
	return d.client.Post(context.Background(), "/v1/queue/"+c.ID+"/approve", map[string]string{"digest": c.Digest}, nil)
}

// entry is a journaled event.
type entry struct {
	journal.Record
	core.Event
}

// read returns the events of a shop's journal, as of now.
func read(t testing.TB, s *shop.Shop, stream string) []entry {
	t.Helper()
	all, err := tryRead(s, stream)
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func tryRead(s *shop.Shop, stream string) (all []entry, err error) {
	j, err := journal.Open(context.Background(), s.Journal(), journal.Options{ReadOnly: true})
	if err != nil {
		return nil, err
	}
	defer j.Close() //nolint:errcheck // only read from
	err = j.Read(stream, 1, func(r journal.Record) error {
		e, err := core.Decode(r.Kind, r.Body)
		all = append(all, entry{r, e})
		return err
	})
	return all, err
}

// story shows a shop's journal, for a person who looks into a failure.
func story(s *shop.Shop) string {
	var b strings.Builder
	for _, stream := range []string{"plant", millStream} {
		all, err := tryRead(s, stream)
		for _, e := range all {
			fmt.Fprintf(&b, "%s %d %s %s\n", stream, e.Seq, e.Record.Kind, e.Body)
		}
		if err != nil {
			fmt.Fprintf(&b, "%s: %v\n", stream, err)
		}
	}
	return b.String()
}

// verify reads the whole journal back.
func verify(t testing.TB, s *shop.Shop) {
	t.Helper()
	j, err := journal.Open(context.Background(), s.Journal(), journal.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close() //nolint:errcheck // only read from
	if err := j.Verify(context.Background(), "", 0); err != nil {
		t.Fatal(err)
	}
}

const millStream = "machine/" + shop.Mill

// of returns the events of one type.
func of[E core.Event](all []entry) (out []E) {
	for _, e := range all {
		if x, ok := e.Event.(E); ok {
			out = append(out, x)
		}
	}
	return out
}

// judged reports what became of readings, by sequence.
func judged(all []entry) map[uint64][]core.Judged {
	by := map[uint64][]core.Judged{}
	for _, j := range of[core.Judged](all) {
		by[j.Reading.Sequence] = append(by[j.Reading.Sequence], j)
	}
	return by
}

// settled reports whether a reading has been judged and no write is under way.
func settled(all []entry, sequence uint64) bool {
	open := map[uint64]bool{}
	for _, e := range all {
		switch e := e.Event.(type) {
		case core.Intended:
			open[e.Intent.ID] = true
		case core.Concluded:
			if e.Result != core.Unknown {
				delete(open, e.Outcome.Intent)
			}
		}
	}
	return len(open) == 0 && len(judged(all)[sequence]) > 0
}

// recent returns the newest events of the mill, oldest first, over the socket.
func (d *process) recent(limit int) []entry {
	var answer struct{ Events []web.Entry }
	q := map[string][]string{"machine": {shop.Mill}, "limit": {fmt.Sprint(limit)}}
	if d.client.Get(context.Background(), "/v1/history", q, &answer) != nil {
		return nil
	}
	var all []entry
	for i := len(answer.Events) - 1; i >= 0; i-- {
		x := answer.Events[i]
		e, err := core.Decode(x.Kind, x.Event)
		if err != nil {
			return nil
		}
		all = append(all, entry{journal.Record{Stream: x.Stream, Seq: x.Seq, Kind: x.Kind, Body: json.RawMessage(x.Event)}, e})
	}
	return all
}

// refusal returns the code with which a request was refused.
func refusal(err error) string {
	if r, ok := err.(*web.RefusedError); ok {
		return r.Code
	}
	return ""
}

// effects compares what the machine itself logged with what the journal says:
// every effect belongs to exactly one intent, every intent that counts as
// applied has its one effect, and one that was not sent has none.
func effects(t testing.TB, s *shop.Shop, all []entry) (applied int) {
	t.Helper()
	held, err := s.Machine.State()
	if err != nil {
		t.Fatal(err)
	}
	result := map[uint64]core.Result{}
	for _, c := range of[core.Concluded](all) {
		result[c.Outcome.Intent] = c.Result
	}
	log := held.Log
	take := func(in core.Intent) bool {
		if len(log) == 0 || log[0].Register != in.Register || nm(log[0].Old) != in.Old || nm(log[0].New) != in.New {
			return false
		}
		log = log[1:]
		return true
	}
	for _, e := range of[core.Intended](all) {
		in := e.Intent
		switch r := result[in.ID]; r {
		case core.Applied:
			applied++
			if !take(in) {
				t.Errorf("intent %d (%s → %s) counts as applied, the machine's next effect is %v", in.ID, in.Old, in.New, log)
			}
		case core.NotSent, core.Refused:
		default:
			t.Errorf("intent %d (%s → %s) ended %q", in.ID, in.Old, in.New, r)
		}
	}
	if len(log) > 0 {
		t.Errorf("effects that no applied intent accounts for: %v", log)
	}
	return applied
}

// nm turns the machine's millimetres into an exact length.
func nm(mm float64) length.Length {
	l, _ := length.FromFloat(mm, length.MM)
	return l
}
