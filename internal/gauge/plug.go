package gauge

import "offsetbridge/internal/length"

// Virtual is what GO gauging has taught about a form: how much of the tolerance,
// from the maximum-material limit on, the form takes away from a size that was
// measured. The zero value has learned nothing.
type Virtual struct {
	Least  length.Length  `json:"least,omitempty"` // a GO gauge was refused this far inside the limit
	Most   *length.Length `json:"most,omitempty"`  // a GO gauge entered this far inside the limit
	Seen   int64          `json:"seen,omitempty"`
	Denied int64          `json:"denied,omitempty"` // of them refused inside the limits
}

// Inside returns how far a size lies inside its maximum-material limit: the lower
// one of an internal feature, the upper one of an external.
func Inside(size length.Length, limits length.Range, internal bool) length.Length {
	if internal {
		return size - limits.Low
	}
	return limits.High - size
}

// Learn takes what a GO gauge did on a part whose size was measured. A refusal
// outside the limits is what a GO gauge is for and teaches nothing of the form.
func (v Virtual) Learn(size length.Length, limits length.Range, internal, enters bool) Virtual {
	inside := Inside(size, limits, internal)
	if inside < 0 {
		return v
	}
	v.Seen++
	switch {
	case !enters:
		v.Denied++
		v.Least = max(v.Least, inside)
	case v.Most == nil || inside < *v.Most:
		v.Most = &inside
	}
	return v
}

// Aim returns the size in the middle of what is left of the limits when the form
// has taken its share, and false when nothing is left. The measurement's
// uncertainty narrows both sides alike and does not move the middle. It is advice:
// limits never move, and the aim is the engineer's.
func (v Virtual) Aim(limits length.Range, internal bool) (length.Length, bool) {
	if v.Least >= limits.Width() {
		return 0, false
	}
	if internal {
		return length.Range{Low: limits.Low + v.Least, High: limits.High}.Middle(), true
	}
	return length.Range{Low: limits.Low, High: limits.High - v.Least}.Middle(), true
}
