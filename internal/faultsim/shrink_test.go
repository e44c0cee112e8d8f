package faultsim

import (
	"slices"
	"testing"
)

func TestFewest(t *testing.T) {
	var list []int
	for i := range 300 {
		list = append(list, i)
	}
	tries := 0
	needs := func(l []int) bool {
		tries++
		return slices.Contains(l, 7) && slices.Contains(l, 150) && slices.Contains(l, 299)
	}
	got := fewest(list, needs, func() bool { return true })
	if !slices.Equal(got, []int{7, 150, 299}) || tries > 200 {
		t.Fatalf("%v after %d tries", got, tries)
	}
	if got := fewest(list, func([]int) bool { return true }, func() bool { return true }); len(got) != 0 {
		t.Fatalf("nothing is needed, %d are kept", len(got))
	}
	tries = 0
	if got := fewest(list, needs, func() bool { return tries < 3 }); !needs(got) || len(got) == 3 {
		t.Fatal("without time it gives what still fails")
	}
}

// A world without its last steps goes on like the whole one until then.
func TestStepsDoTheSameWithoutTheOthers(t *testing.T) {
	whole, part := newWorld(4), newWorld(4)
	part.only = []int{}
	for i := 1; i <= 25; i++ {
		part.only = append(part.only, i)
	}
	whole.upTo = 25
	whole.play(1 << 20)
	part.play(1 << 20)
	if whole.ops != part.ops || whole.parts != part.parts || whole.now != part.now {
		t.Fatalf("%d operations, %d parts, time %d; with all steps %d, %d, %d", part.ops, part.parts, part.now, whole.ops, whole.parts, whole.now)
	}
}

func TestNothingToShrink(t *testing.T) {
	if s := Shrink(4, 20); s != nil {
		t.Fatal(s.Violation)
	}
}
