package faultsim

import (
	"os"
	"testing"
	"time"
)

// A few thousand parts under every fault. The long run is make fault-sim.
func TestInvariantsHoldAtTheMachines(t *testing.T) {
	began := time.Now()
	total := Report{Counts: Counts{}}
	seed := uint64(1)
	for total.Parts < 2_000 || len(total.Counts.Missing(total.Parts)) > 0 && total.Parts < 6_000 {
		rep := Run(Options{Seed: seed, Parts: 500})
		for _, v := range rep.Violations {
			t.Errorf("%v\nagain: go run ./cmd/fault-sim -replay -seed %d", v, v.Seed)
		}
		if t.Failed() {
			return
		}
		seed += rep.Worlds
		total.Parts += rep.Parts
		total.Counts.Merge(rep.Counts)
	}
	for _, k := range total.Counts.Missing(total.Parts) {
		t.Errorf("never met: %s", k)
	}
	t.Logf("%d parts in %s, %d requests, %d effects", total.Parts, time.Since(began).Round(time.Millisecond),
		total.Counts["work/requests"], total.Counts["work/effects"])
}

func TestOneSeedIsOneWorld(t *testing.T) {
	trail := func() ([]string, Counts) {
		w := newWorld(4)
		w.traced = true
		w.play(60)
		return w.trail, w.n
	}
	a, an := trail()
	b, bn := trail()
	if len(a) == 0 || len(a) != len(b) {
		t.Fatalf("trails of %d and %d steps", len(a), len(b))
	}
	for i := range a {
		if a[i] != b[i] {
			t.Fatalf("step %d differs:\n%s\n%s", i, a[i], b[i])
		}
	}
	for k := range an {
		if an[k] != bn[k] {
			t.Errorf("%s: %d and %d", k, an[k], bn[k])
		}
	}
}

func TestWhatIsMissingIsTold(t *testing.T) {
	c := Counts{}
	if len(c.Missing(100)) != 0 || len(c.Missing(2_000)) != len(usual) || len(c.Missing(50_000)) != len(usual)+len(common)+len(rare) {
		t.Fatal("an empty run misses nothing")
	}
	c.add(usual[0])
	if len(c.Missing(2_000)) != len(usual)-1 {
		t.Fatal("what was met is still missing")
	}
}

// Two guards are taken away to see that the oracle sees it; make fault-mutants
// takes away all of the table.
func TestAMutantIsCaught(t *testing.T) {
	if testing.Short() || os.Getenv("OFFSETBRIDGE_NO_MUTANTS") != "" {
		t.Skip("mutants are built with the go command, which takes a while")
	}
	for _, name := range []string{"the pre-read compares the old value", "a hold closes the gate"} {
		m := mutantNamed(name)
		if m == nil {
			t.Fatalf("no mutant %q", name)
		}
		if got := TryMutant("../..", *m, 20_000, 3*time.Minute); got.Verdict != Caught {
			t.Errorf("%s: %s", name, got)
		}
	}
}
