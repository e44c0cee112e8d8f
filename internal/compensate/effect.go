package compensate

import "slices"

// operation is one way of making a size, with the effect of every register
// kind that has one, in thousandths.
type operation struct {
	name     string
	internal bool // the maximum-material limit is the lower one
	effects  map[string]int32
}

// Kinds of register. "radius", "diameter" and "length" are the numbers of a
// milling tool's row, the others those of a lathe; the two edges belong to a
// grooving insert that has two offset numbers.
const (
	radius     = "radius"
	diameter   = "diameter"
	toolLength = "length"
	xDiameter  = "x diameter"
	xRadius    = "x radius"
	z          = "z"
	zFront     = "z front edge"
	zChuck     = "z chuck edge"
	noseRadius = "nose radius"
	workOffset = "work offset"
	minusX     = " at minus x"
	subSpindle = " on the sub-spindle"
)

var kinds = []string{
	radius, diameter, toolLength, xDiameter, xRadius, z, zFront, zChuck, noseRadius, workOffset,
}

// operations is derived from geometry, without a published source. It assumes
// that +radius moves a milling tool away from the finished wall, that a lathe
// tool cuts on the +X side, and that +Z points away from the chuck; each
// machine still has to prove it with a test step. Zero means that the register
// does not move this size, or moves others with it: advise only, never write.
var operations = []operation{
	{"milled internal thread", true, across(-1000)},
	{"milled bore", true, across(-1000)},
	{"milled external thread", false, across(1000)},
	{"milled boss", false, across(1000)},
	{"milled slot width", true, across(-1000)},
	{"milled wall position", true, across(-500)},
	{"milled depth", true, milling(0, 0, -1000)},
	{"actuated boring tool", true, across(1000)},
	{"hand-set boring head", true, across(1000)},
	{"fixed boring bar", true, milling(0, 0, 0)},
	{"reamed bore", true, milling(0, 0, 0)},
	{"form tool bore", true, milling(0, 0, 0)},
	{"turned outside", false, turning(1000, 0)},
	{"turned bore", true, turning(1000, 0)},
	{"turned external thread", false, turning(1000, 0)},
	{"turned internal thread", true, turning(1000, 0)},
	{"turned outside" + minusX, false, turning(-1000, 0)},
	{"turned bore" + minusX, true, turning(-1000, 0)},
	{"turned external thread" + minusX, false, turning(-1000, 0)},
	{"turned internal thread" + minusX, true, turning(-1000, 0)},
	{"overall length", false, turning(0, 1000)},
	{"shoulder depth", true, turning(0, -1000)},
	{"overall length" + subSpindle, false, turning(0, -1000)},
	{"shoulder depth" + subSpindle, true, turning(0, 1000)},
	{"groove width", true, groove(0, 1000, -1000)},
	{"groove bottom diameter", false, groove(1000, 0, 0)},
	{"groove front wall depth", false, groove(0, -1000, 0)}, // from the free face to the wall nearer to it
	{"groove chuck wall depth", true, groove(0, 0, -1000)},  // and to the wall beyond the groove
}

// across is a milled or bored size that both walls make: a radius counts twice.
func across(perDiameter int32) map[string]int32 {
	return milling(2*perDiameter, perDiameter, 0)
}

func milling(perRadius, perDiameter, perLength int32) map[string]int32 {
	return map[string]int32{radius: perRadius, diameter: perDiameter, toolLength: perLength, workOffset: 0}
}

// turning is a size on a lathe; a nose radius moves no cylinder and no face.
func turning(perX, perZ int32) map[string]int32 {
	return map[string]int32{xDiameter: perX, xRadius: 2 * perX, z: perZ, noseRadius: 0, workOffset: 0}
}

// groove is a size made by an insert with two edges. With a single Z number the
// groove moves and keeps its width.
func groove(perX, perFront, perChuck int32) map[string]int32 {
	m := turning(perX, 0)
	m[zFront], m[zChuck] = perFront, perChuck
	return m
}

// EffectOf returns the change of size per unit of register, signed, in
// thousandths: -2000 for the radius register of a milled bore. Zero with known
// true means: advise only, never write. Known is false for a pair that does not
// belong together, such as a milled bore and a lathe's X.
func EffectOf(operation, registerKind string) (thousandths int32, known bool) {
	o := find(operation)
	if o == nil {
		return 0, false
	}
	thousandths, known = o.effects[registerKind]
	return thousandths, known
}

// Internal reports whether the maximum-material limit of such a size is its
// lower one, so that a size still too small can be cut again. Known is false
// for an operation that is not in Operations.
func Internal(operation string) (internal, known bool) {
	o := find(operation)
	if o == nil {
		return false, false
	}
	return o.internal, true
}

// Operations returns the names that EffectOf knows, in a fixed order.
func Operations() []string {
	names := make([]string, len(operations))
	for i, o := range operations {
		names[i] = o.name
	}
	return names
}

// Kinds returns the register kinds that EffectOf knows, in a fixed order.
func Kinds() []string { return slices.Clone(kinds) }

// KindsFor returns the register kinds that have an effect, zero included, on a
// size made by the operation, in the order of Kinds.
func KindsFor(operation string) []string {
	var fit []string
	for _, k := range kinds {
		if _, known := EffectOf(operation, k); known {
			fit = append(fit, k)
		}
	}
	return fit
}

func find(name string) *operation {
	for i := range operations {
		if operations[i].name == name {
			return &operations[i]
		}
	}
	return nil
}
