package core

import (
	"fmt"

	"offsetbridge/internal/length"
)

// SpringPass says, with its arithmetic, that a hole is tight at its bottom by more
// than a third of the tolerance: the cutter was pushed away, and the same cut once
// more takes off what it left, which no offset does (common practice, no source). It
// is empty for any other form, for an external feature and for sizes at one depth.
func (w *Whole) SpringPass(internal bool, tolerance length.Length) string {
	if w == nil || !internal || tolerance <= 0 || -3*w.Sizes.Taper <= tolerance {
		return ""
	}
	return fmt.Sprintf("spring pass, not an offset: the bottom is %s smaller than the top, more than a third of the tolerance (%s ÷ 3 = %s), as when the cutter is pushed away (common practice)",
		(-w.Sizes.Taper).Text(length.MM, 4), tolerance.Text(length.MM, 4), (tolerance/3).Text(length.MM, 4))
}
