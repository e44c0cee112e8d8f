// Package journaltest is the contract of journal.Store as tests: every
// implementation passes the same suite.
package journaltest

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"offsetbridge/internal/journal"
)

// Opener returns a new, empty store and how to close it and open it again.
type Opener func(t *testing.T) (store journal.Store, reopen func() journal.Store)

// Conform runs the suite.
func Conform(t *testing.T, open Opener) {
	for _, c := range []struct {
		name string
		run  func(*testing.T, Opener)
	}{
		{"an append is all or nothing", allOrNothing},
		{"a record the store could not give back is refused", refused},
		{"streams are read in order from anywhere", reads},
		{"what was read back is what was written", roundTrip},
		{"the chain follows the published rule", chainRule},
		{"a query finds what a plain search finds", queries},
		{"pages join without gap or repetition", paging},
		{"a filter that cannot be answered is refused", badFilters},
		{"snapshots belong to the chain", snapshots},
		{"opening again changes nothing", reopens},
		{"a cancelled append writes nothing", cancelled},
		{"a closed store answers so", closed},
	} {
		t.Run(c.name, func(t *testing.T) { c.run(t, open) })
	}
}

// Rec is a short way to write a record for a test.
func Rec(stream string, seq uint64, body string) journal.Record {
	return journal.Record{Stream: stream, Seq: seq, At: int64(1_700_000_000_000 + seq), Kind: "reading", Body: []byte(body)}
}

// Fill appends n records to a stream in appends of one, with keys that vary.
func Fill(t testing.TB, s journal.Store, stream string, n int) {
	t.Helper()
	for range n {
		seq := s.Head(stream).Seq + 1
		r := Rec(stream, seq, fmt.Sprintf(`{"n":%d}`, seq))
		r.Loop, r.Part, r.Gauge = fmt.Sprint("bore ", seq%3), fmt.Sprint("P", seq), fmt.Sprint("G", seq%2)
		if seq%5 == 0 {
			r.Person = "setter one"
		}
		Must(t, s.Append(context.Background(), []journal.Record{r}))
	}
}

// Must ends the test on an error.
func Must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// All reads a whole stream.
func All(t testing.TB, s journal.Store, stream string) []journal.Record {
	t.Helper()
	var out []journal.Record
	Must(t, s.Read(stream, 1, func(r journal.Record) error { out = append(out, r); return nil }))
	return out
}

func wantIs(t *testing.T, err, want error) {
	t.Helper()
	if !errors.Is(err, want) {
		t.Fatalf("error is %v; want %v", err, want)
	}
}

func allOrNothing(t *testing.T, open Opener) {
	s, _ := open(t)
	ctx := context.Background()
	Must(t, s.Append(ctx, nil))
	Must(t, s.Append(ctx, []journal.Record{Rec("plant", 1, "a"), Rec("machine/one", 1, "b"), Rec("plant", 2, "c")}))
	for name, bad := range map[string][]journal.Record{
		"gap":             {Rec("machine/one", 2, "x"), Rec("plant", 4, "x")},
		"repetition":      {Rec("machine/one", 2, "x"), Rec("plant", 2, "x")},
		"zero":            {Rec("machine/one", 2, "x"), Rec("machine/new", 0, "x")},
		"twice in itself": {Rec("machine/one", 2, "x"), Rec("machine/one", 2, "x")},
		"new from two":    {Rec("machine/one", 2, "x"), Rec("machine/new", 2, "x")},
	} {
		if err := s.Append(ctx, bad); !errors.Is(err, journal.ErrSequence) {
			t.Errorf("%s: error is %v; want ErrSequence", name, err)
		}
	}
	if h := s.Head("machine/one"); h.Seq != 1 {
		t.Errorf("machine/one ends at %d after refused appends; want 1", h.Seq)
	}
	if h := s.Head("machine/new"); h != (journal.Head{Stream: "machine/new"}) {
		t.Errorf("a stream nobody wrote has head %+v", h)
	}
	if n := len(s.Heads()); n != 2 {
		t.Errorf("there are %d heads; want 2", n)
	}
	Must(t, s.Append(ctx, []journal.Record{Rec("machine/one", 2, "x"), Rec("plant", 3, "x")}))
}

func refused(t *testing.T, open Opener) {
	s, _ := open(t)
	long := string(make([]byte, journal.MaxKey+1))
	for name, change := range map[string]func(*journal.Record){
		"no stream":   func(r *journal.Record) { r.Stream = "" },
		"no kind":     func(r *journal.Record) { r.Kind = "" },
		"long kind":   func(r *journal.Record) { r.Kind = "ninebytes" },
		"long stream": func(r *journal.Record) { r.Stream = long },
		"long part":   func(r *journal.Record) { r.Part = long },
		"not UTF-8":   func(r *journal.Record) { r.Gauge = "\xff" },
		"zero byte":   func(r *journal.Record) { r.Loop = "a\x00b" },
		"long body":   func(r *journal.Record) { r.Body = make([]byte, journal.MaxBody+1) },
		"huge number": func(r *journal.Record) { r.Seq = 1 << 63 },
	} {
		r := Rec("plant", 1, "x")
		change(&r)
		if err := s.Append(context.Background(), []journal.Record{r}); !errors.Is(err, journal.ErrRecord) {
			t.Errorf("%s: error is %v; want ErrRecord", name, err)
		}
	}
	Fill(t, s, "plant", 1) // a refusal leaves the store able to write
}

func reads(t *testing.T, open Opener) {
	s, _ := open(t)
	Fill(t, s, "plant", 40)
	Fill(t, s, "machine/one", 3)
	for _, from := range []uint64{0, 1, 2, 17, 40, 41, 1000} {
		next := max(from, 1)
		Must(t, s.Read("plant", from, func(r journal.Record) error {
			if r.Seq != next || r.Stream != "plant" {
				t.Fatalf("reading from %d came to %s %d; want plant %d", from, r.Stream, r.Seq, next)
			}
			next++
			return nil
		}))
		if want := max(from, 41); next != want {
			t.Errorf("reading from %d ended before %d; want %d", from, next, want)
		}
	}
	enough := errors.New("enough")
	n := 0
	err := s.Read("plant", 5, func(journal.Record) error {
		if n++; n == 3 {
			return enough
		}
		return nil
	})
	if err != enough || n != 3 {
		t.Errorf("a visitor that stops got %d records and error %v", n, err)
	}
	// A visitor may append; it does not see what came after the call.
	n = 0
	Must(t, s.Read("plant", 1, func(journal.Record) error { n++; Fill(t, s, "plant", 1); return nil }))
	if n != 40 || s.Head("plant").Seq != 80 {
		t.Errorf("visited %d records and the stream ends at %d; want 40 and 80", n, s.Head("plant").Seq)
	}
	Must(t, s.Read("machine/unknown", 1, func(journal.Record) error { t.Error("visited"); return nil }))
}

func roundTrip(t *testing.T, open Opener) {
	s, reopen := open(t)
	every := make([]byte, 256)
	for i := range every {
		every[i] = byte(i)
	}
	in := []journal.Record{
		{Stream: "plant", Seq: 1, At: -1, Kind: "k", Body: every},
		{Stream: "plant", Seq: 2, At: 1 << 62, Kind: "Ωkind", Loop: "bore Ø25", Part: "a'b\"c", Gauge: "%_*", Person: "ärö", Body: []byte{}},
		{Stream: "plant", Seq: 3, Kind: "k", Body: make([]byte, journal.MaxBody)},
	}
	Must(t, s.Append(context.Background(), in))
	// The store keeps its own copy.
	want := slices.Clone(in)
	want[0].Body = slices.Clone(every)
	every[0] = 99
	for range 2 {
		if got := All(t, s, "plant"); !reflect.DeepEqual(got, want) {
			t.Fatalf("read back %.300v; want %.300v", fmt.Sprint(got), fmt.Sprint(want))
		}
		s = reopen()
	}
	Must(t, s.Append(context.Background(), []journal.Record{{Stream: "plant", Seq: 4, Kind: "k"}}))
	if r := All(t, s, "plant")[3]; len(r.Body) != 0 {
		t.Errorf("no body came back as %q", r.Body)
	}
}

// Chain is the rule of format 1, written a second time from its description.
func Chain(prev [32]byte, r journal.Record) [32]byte {
	h := sha256.New()
	h.Write(prev[:])
	field := func(b []byte) {
		h.Write(binary.BigEndian.AppendUint32(nil, uint32(len(b))))
		h.Write(b)
	}
	field([]byte(r.Stream))
	field(binary.BigEndian.AppendUint64(nil, r.Seq))
	field(binary.BigEndian.AppendUint64(nil, uint64(r.At)))
	for _, s := range []string{r.Kind, r.Loop, r.Part, r.Gauge, r.Person, string(r.Body)} {
		field([]byte(s))
	}
	return [32]byte(h.Sum(nil))
}

func chainRule(t *testing.T, open Opener) {
	s, _ := open(t)
	for range 10 {
		Fill(t, s, "plant", 1)
		Fill(t, s, "machine/one", 2)
	}
	for _, stream := range []string{"plant", "machine/one"} {
		var hash [32]byte
		for _, r := range All(t, s, stream) {
			hash = Chain(hash, r)
		}
		if h := s.Head(stream); h.Hash != hash {
			t.Errorf("head of %s is %x; the rule gives %x", stream, h.Hash, hash)
		}
		Must(t, s.Verify(context.Background(), stream, 1))
		Must(t, s.Verify(context.Background(), stream, 7))
	}
	Must(t, s.Verify(context.Background(), "", 0))
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	wantIs(t, s.Verify(ctx, "plant", 1), context.Canceled)
}

// mixed fills a store with records whose keys overlap, in random appends over
// several streams, and returns them in the order of appending.
func mixed(t *testing.T, s journal.Store, rng *rand.Rand, n int) []journal.Record {
	pick := func(of ...string) string { return of[rng.IntN(len(of))] }
	var all, batch []journal.Record
	seq := map[string]uint64{}
	for range n {
		stream := pick("plant", "machine/one", "machine/two")
		seq[stream]++
		batch = append(batch, journal.Record{
			Stream: stream, Seq: seq[stream], At: int64(1000 + rng.IntN(500)),
			Kind: pick("reading", "intent", "outcome"), Loop: pick("", "bore", "shaft"),
			Part: pick("", "P1", "P2", "P3"), Gauge: pick("", "G1"), Person: pick("", "", "one"),
			Body: fmt.Appendf(nil, "%d", rng.Int()),
		})
		if rng.IntN(4) == 0 {
			Must(t, s.Append(context.Background(), batch))
			all, batch = append(all, batch...), nil
		}
	}
	return all
}

func queries(t *testing.T, open Opener) {
	s, _ := open(t)
	rng := rand.New(rand.NewPCG(1, 2))
	all := mixed(t, s, rng, 200)
	pick := func(of ...string) string { return of[rng.IntN(len(of))] }
	hits := 0
	for i := range 120 {
		f := journal.Filter{
			Stream: pick("", "plant", "machine/two", "machine/none"), Loop: pick("", "", "bore"), Part: pick("", "", "P2"),
			Gauge: pick("", "", "G1"), Person: pick("", "", "one"), Limit: 1 + rng.IntN(300),
		}
		if i%3 == 0 {
			f.Kinds = []string{"intent", "outcome"}
		}
		if i%4 == 0 {
			f.From = int64(1000 + rng.IntN(500))
		}
		if i%5 == 0 {
			f.To = int64(1000 + rng.IntN(500))
		}
		if i%2 == 0 {
			mark := all[rng.IntN(len(all))]
			f.Before, f.BeforeStream = mark.Seq, mark.Stream
		}
		want := plainSearch(all, f)
		got, err := s.Query(f)
		Must(t, err)
		if len(got) != len(want) || len(got) > 0 && !reflect.DeepEqual(got, want) {
			t.Fatalf("%+v\nfound %d records %v\nwant  %d records %v", f, len(got), ids(got), len(want), ids(want))
		}
		hits += len(got)
	}
	if hits < 400 {
		t.Errorf("all queries together found %d records: the test proves little", hits)
	}
}

func ids(list []journal.Record) (out []string) {
	for _, r := range list {
		out = append(out, fmt.Sprint(r.Stream, " ", r.Seq))
	}
	return out
}

func plainSearch(all []journal.Record, f journal.Filter) (out []journal.Record) {
	end := len(all)
	for i, r := range all {
		if f.Before == r.Seq && f.BeforeStream == r.Stream {
			end = i
		}
	}
	for i := end - 1; i >= 0 && len(out) < f.Limit; i-- {
		r := all[i]
		if f.Stream != "" && r.Stream != f.Stream || f.Loop != "" && r.Loop != f.Loop || f.Part != "" && r.Part != f.Part ||
			f.Gauge != "" && r.Gauge != f.Gauge || f.Person != "" && r.Person != f.Person ||
			f.From != 0 && r.At < f.From || f.To != 0 && r.At >= f.To ||
			f.Kinds != nil && !slices.Contains(f.Kinds, r.Kind) {
			continue
		}
		out = append(out, r)
	}
	return out
}

func paging(t *testing.T, open Opener) {
	s, _ := open(t)
	all := mixed(t, s, rand.New(rand.NewPCG(3, 4)), 150)
	for _, base := range []journal.Filter{{Limit: 7}, {Limit: 7, Stream: "plant"}, {Limit: 7, Loop: "bore"}} {
		var got []journal.Record
		for f := base; ; {
			list, err := s.Query(f)
			Must(t, err)
			if len(list) == 0 {
				break
			}
			if len(list) > 7 {
				t.Fatalf("a page of 7 has %d records", len(list))
			}
			got = append(got, list...)
			last := list[len(list)-1]
			f.Before, f.BeforeStream = last.Seq, last.Stream
		}
		base.Limit = len(all)
		if want := plainSearch(all, base); !reflect.DeepEqual(got, want) {
			t.Errorf("%+v: pages hold %d records, want %d", base, len(got), len(want))
		}
	}
	list, err := s.Query(journal.Filter{})
	Must(t, err)
	if len(list) != journal.DefaultLimit {
		t.Errorf("a query without limit returns %d records; want %d", len(list), journal.DefaultLimit)
	}
}

func badFilters(t *testing.T, open Opener) {
	s, _ := open(t)
	Fill(t, s, "plant", 2)
	for _, f := range []journal.Filter{{Before: 2}, {Limit: -1}} {
		if _, err := s.Query(f); !errors.Is(err, journal.ErrFilter) {
			t.Errorf("%+v: error is %v; want ErrFilter", f, err)
		}
	}
	list, err := s.Query(journal.Filter{Stream: "plant", Before: 2})
	if err != nil || len(list) != 1 || list[0].Seq != 1 {
		t.Errorf("before 2 of the stream asked for: %v, %v", ids(list), err)
	}
}

func snapshots(t *testing.T, open Opener) {
	s, reopen := open(t)
	const stream = "machine/one"
	if _, ok, err := s.Snapshot(stream); ok || err != nil {
		t.Fatalf("an empty store has snapshot %v, error %v", ok, err)
	}
	save := func() journal.Snapshot {
		h := s.Head(stream)
		snap := journal.Snapshot{Stream: stream, Seq: h.Seq, Hash: h.Hash, Version: "v1", Body: fmt.Appendf(nil, "state %d", h.Seq)}
		Must(t, s.SaveSnapshot(snap))
		return snap
	}
	Fill(t, s, stream, 5)
	old := save()
	Fill(t, s, stream, 5)
	want := save()
	for name, bad := range map[string]journal.Snapshot{
		"wrong hash":    {Stream: stream, Seq: 10, Hash: old.Hash},
		"ahead":         {Stream: stream, Seq: 11, Hash: want.Hash},
		"zero":          {Stream: stream},
		"other stream":  {Stream: "plant", Seq: 10, Hash: want.Hash},
		"nobody's":      {Seq: 10, Hash: want.Hash},
		"wrong earlier": {Stream: stream, Seq: 4, Hash: old.Hash},
	} {
		if err := s.SaveSnapshot(bad); !errors.Is(err, journal.ErrSnapshot) {
			t.Errorf("%s: error is %v; want ErrSnapshot", name, err)
		}
	}
	for range 2 {
		Fill(t, s, stream, 1)
		got, ok, err := s.Snapshot(stream)
		if err != nil || !ok || !reflect.DeepEqual(got, want) {
			t.Fatalf("snapshot is %+v, %v, %v; want %+v", got, ok, err, want)
		}
		Must(t, s.Verify(context.Background(), stream, got.Seq+1))
		s = reopen()
	}
	// Saving an older one, as a rebuild does, leaves the newest in force.
	Must(t, s.SaveSnapshot(old))
	if got, ok, err := s.Snapshot(stream); err != nil || !ok || got.Seq != want.Seq {
		t.Errorf("after saving an older snapshot the newest is %d, %v, %v; want %d", got.Seq, ok, err, want.Seq)
	}
	if _, ok, err := s.Snapshot("plant"); ok || err != nil {
		t.Errorf("another stream has snapshot %v, error %v", ok, err)
	}
}

func reopens(t *testing.T, open Opener) {
	s, reopen := open(t)
	for i := range 6 {
		Fill(t, s, "plant", 3)
		Fill(t, s, fmt.Sprint("machine/", i), i)
		heads, plant := s.Heads(), All(t, s, "plant")
		s = reopen()
		if got := s.Heads(); !reflect.DeepEqual(got, heads) {
			t.Fatalf("heads after opening again: %v; want %v", got, heads)
		}
		if got := All(t, s, "plant"); !reflect.DeepEqual(got, plant) {
			t.Fatal("records differ after opening again")
		}
		Must(t, s.Verify(context.Background(), "", 0))
	}
}

func cancelled(t *testing.T, open Opener) {
	s, _ := open(t)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	wantIs(t, s.Append(ctx, []journal.Record{Rec("plant", 1, "x")}), context.Canceled)
	if n := s.Head("plant").Seq; n != 0 {
		t.Errorf("the stream ends at %d; want 0", n)
	}
	Fill(t, s, "plant", 1)
}

func closed(t *testing.T, open Opener) {
	s, _ := open(t)
	Fill(t, s, "plant", 2)
	h := s.Head("plant")
	Must(t, s.Close())
	wantIs(t, s.Append(context.Background(), []journal.Record{Rec("plant", 3, "x")}), journal.ErrClosed)
	wantIs(t, s.Read("plant", 1, func(journal.Record) error { return nil }), journal.ErrClosed)
	wantIs(t, s.SaveSnapshot(journal.Snapshot{Stream: "plant", Seq: 2, Hash: h.Hash}), journal.ErrClosed)
	wantIs(t, s.Verify(context.Background(), "", 0), journal.ErrClosed)
	_, err := s.Query(journal.Filter{})
	wantIs(t, err, journal.ErrClosed)
	_, _, err = s.Snapshot("plant")
	wantIs(t, err, journal.ErrClosed)
	wantIs(t, s.Close(), journal.ErrClosed)
}
