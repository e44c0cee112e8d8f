package core

import (
	"maps"
	"slices"
)

// Codes returns every code that has a sentence, in alphabetical order: those of
// this package, and of the edges that added theirs.
func Codes() []Code { return slices.Sorted(maps.Keys(words)) }
