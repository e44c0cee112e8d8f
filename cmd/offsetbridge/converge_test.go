package main

import (
	"context"
	"math"
	"testing"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/web"
	"offsetbridge/testdata/peers/shop"
)

// TestALoopConverges brings a wrongly set bore to size against independent
// broker and machine: a setter approves the first change, then wear is followed
// automatically, and the machine's own log of writes is what the journal says.
func TestALoopConverges(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{Metal: shop.Metal{Setup: -30_000, Wear: 900, Scatter: 700}, Seed: 7})
	s.Config(t)
	d := launch(t, s)
	d.live(t)

	first := makePart(t, s, d)
	var card web.Card
	shop.Wait(t, "a card for the first part", func() bool {
		cards := d.cards()
		if len(cards) == 1 {
			card = cards[0]
		}
		return len(cards) == 1
	})
	if card.Need != string(core.Setter) || card.Registers[0].OldNM != 0 {
		t.Errorf("the first part's card needs %q and starts at %s", card.Need, card.Registers[0].OldNM)
	}
	if held, err := s.Machine.State(); err != nil || len(held.Log) != 0 {
		t.Fatalf("written before anybody approved: %v %v", held.Log, err)
	}
	if err := d.approve(card); err != nil {
		t.Fatal(err)
	}
	shop.Wait(t, "the approved change is proven", func() bool { return len(of[core.Concluded](d.recent(20))) == 1 })
	if err := d.approve(card); err != nil {
		t.Errorf("the same approval by the same hand is answered differently the second time: %v", err)
	}
	if n := len(of[core.Intended](d.recent(20))); n != 1 {
		t.Errorf("one approval, said twice, sent %d requests", n)
	}

	var last []shop.Part
	for range 24 {
		last = append(last, makePart(t, s, d))
	}
	d.stop(t)
	if d.code != 0 {
		t.Errorf("ended with code %d", d.code)
	}
	verify(t, s)
	all := read(t, s, millStream)
	if n := effects(t, s, all); n < 5 {
		t.Errorf("%d changes, wear was not followed", n)
	}
	automatic := 0
	for _, in := range of[core.Intended](all) {
		if in.Charge > 0 {
			automatic++
		}
	}
	if automatic < 4 {
		t.Errorf("%d changes by itself", automatic)
	}
	var sum, square float64
	last = last[len(last)-12:]
	for _, p := range last {
		off := float64(p.Size-shop.Aim) / 1000
		sum, square = sum+off, square+off*off
	}
	mean, rms := sum/float64(len(last)), math.Sqrt(square/float64(len(last)))
	t.Logf("the first part was off by %s, the last twelve by %.1f µm on average, %.1f µm rms", shop.Micrometres(first.Size-shop.Aim), mean, rms)
	if math.Abs(mean) > 3 || rms > 4 {
		t.Errorf("the last parts are off by %.1f µm on average, %.1f µm rms", mean, rms)
	}
	if h := of[core.Held](all); len(h) > 0 {
		t.Errorf("on hold: %+v", h)
	}
}

// makePart cuts and measures a part and waits until everything due is decided.
func makePart(t *testing.T, s *shop.Shop, d *process) shop.Part {
	t.Helper()
	p, err := s.Cut()
	if err != nil {
		t.Fatal(err)
	}
	measure(t, s, d, p)
	return p
}

// measure gauges a part and waits until everything due is decided.
func measure(t *testing.T, s *shop.Shop, d *process, p shop.Part) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	n, err := s.Measure(ctx, p)
	if err != nil {
		t.Fatal(err)
	}
	shop.Wait(t, "the reading is judged and nothing is on its way", func() bool { return settled(d.recent(60), n) })
}
