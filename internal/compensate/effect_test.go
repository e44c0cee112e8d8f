package compensate

import (
	"slices"
	"testing"
)

// The expected numbers are written out once more from the geometry, row by row,
// so that a slip in the table's constructors shows.
func TestEffectOf(t *testing.T) {
	for _, c := range []struct {
		operation, kind string
		want            int32
	}{
		{"milled internal thread", "radius", -2000},
		{"milled internal thread", "diameter", -1000},
		{"milled internal thread", "length", 0},
		{"milled bore", "radius", -2000},
		{"milled bore", "diameter", -1000},
		{"milled external thread", "radius", 2000},
		{"milled external thread", "diameter", 1000},
		{"milled boss", "radius", 2000},
		{"milled boss", "diameter", 1000},
		{"milled slot width", "radius", -2000},
		{"milled slot width", "diameter", -1000},
		{"milled wall position", "radius", -1000},
		{"milled wall position", "diameter", -500},
		{"milled depth", "length", -1000},
		{"milled depth", "radius", 0},
		{"actuated boring tool", "diameter", 1000},
		{"actuated boring tool", "radius", 2000},
		{"hand-set boring head", "diameter", 1000},
		{"fixed boring bar", "diameter", 0},
		{"reamed bore", "radius", 0},
		{"form tool bore", "diameter", 0},
		{"turned outside", "x diameter", 1000},
		{"turned outside", "x radius", 2000},
		{"turned outside", "z", 0},
		{"turned outside", "nose radius", 0},
		{"turned bore", "x diameter", 1000},
		{"turned bore", "x radius", 2000},
		{"turned outside at minus x", "x diameter", -1000},
		{"turned bore at minus x", "x radius", -2000},
		{"turned external thread", "x diameter", 1000},
		{"turned internal thread", "x diameter", 1000},
		{"turned internal thread at minus x", "x diameter", -1000},
		{"overall length", "z", 1000},
		{"overall length on the sub-spindle", "z", -1000},
		{"shoulder depth", "z", -1000},
		{"shoulder depth on the sub-spindle", "z", 1000},
		{"groove width", "z front edge", 1000},
		{"groove width", "z chuck edge", -1000},
		{"groove width", "z", 0},
		{"groove bottom diameter", "x diameter", 1000},
		{"groove front wall depth", "z front edge", -1000},
		{"groove front wall depth", "z chuck edge", 0},
		{"groove chuck wall depth", "z chuck edge", -1000},
		{"groove chuck wall depth", "z front edge", 0},
	} {
		got, known := EffectOf(c.operation, c.kind)
		if !known || got != c.want {
			t.Errorf("EffectOf(%q, %q) = %d, %v, want %d", c.operation, c.kind, got, known, c.want)
		}
	}
}

func TestPairsThatDoNotBelongTogether(t *testing.T) {
	for _, c := range [][2]string{
		{"milled bore", "x diameter"}, {"turned outside", "radius"}, {"turned outside", "z front edge"},
		{"", "radius"}, {"milled bore", ""}, {"Milled Bore", "radius"}, {"planed", "z"},
	} {
		if got, known := EffectOf(c[0], c[1]); known || got != 0 {
			t.Errorf("EffectOf(%q, %q) = %d, %v, want 0, false", c[0], c[1], got, known)
		}
	}
}

// A work offset moves every size of the part and a nose radius no cylinder:
// neither may ever be written to bring a size home.
func TestNeverForSize(t *testing.T) {
	for _, o := range Operations() {
		for _, k := range []string{"work offset", "nose radius"} {
			if e, _ := EffectOf(o, k); e != 0 {
				t.Errorf("EffectOf(%q, %q) = %d, want 0", o, k, e)
			}
		}
		if _, known := EffectOf(o, "work offset"); !known {
			t.Errorf("%q does not say that a work offset is advise only", o)
		}
	}
}

// Where the register is the distance of the tool from the work, a positive step
// leaves metal on: the size moves to its maximum-material limit. That fixes the
// sign of the effect by whether the size is internal, except for a boring head
// that opens, and on a lathe where X points away from the axis on both.
func TestSignFollowsMaterial(t *testing.T) {
	for _, o := range Operations() {
		if o == "actuated boring tool" || o == "hand-set boring head" {
			continue
		}
		internal, known := Internal(o)
		if !known {
			t.Fatalf("Internal(%q) is not known", o)
		}
		for _, k := range []string{"radius", "diameter", "length"} {
			if e, _ := EffectOf(o, k); e != 0 && (e < 0) != internal {
				t.Errorf("EffectOf(%q, %q) = %d leaves metal on the wrong side (internal %v)", o, k, e, internal)
			}
		}
	}
	if _, known := Internal("planed"); known {
		t.Error("Internal knows an operation that does not exist")
	}
}

// A radius register moves the size by twice what a diameter register does.
func TestRadiusCountsTwice(t *testing.T) {
	for _, o := range Operations() {
		for _, pair := range [][2]string{{"radius", "diameter"}, {"x radius", "x diameter"}} {
			r, _ := EffectOf(o, pair[0])
			d, _ := EffectOf(o, pair[1])
			if r != 2*d {
				t.Errorf("%q: %s %d is not twice %s %d", o, pair[0], r, pair[1], d)
			}
		}
	}
}

func TestNamesAreUniqueAndFixed(t *testing.T) {
	if !slices.Equal(Operations(), Operations()) || !slices.Equal(Kinds(), Kinds()) {
		t.Error("names change their order")
	}
	for _, list := range [][]string{Operations(), Kinds()} {
		sorted := slices.Sorted(slices.Values(list))
		if len(slices.Compact(sorted)) != len(list) {
			t.Errorf("a name occurs twice in %q", list)
		}
	}
	used := map[string]bool{}
	for _, o := range Operations() {
		fit := KindsFor(o)
		if len(fit) == 0 {
			t.Errorf("no register kind fits %q", o)
		}
		for _, k := range fit {
			used[k] = true
		}
	}
	for _, k := range Kinds() {
		if !used[k] {
			t.Errorf("register kind %q fits no operation", k)
		}
	}
	Kinds()[0] = "spoilt"
	if Kinds()[0] == "spoilt" {
		t.Error("Kinds hands out its own list")
	}
}
