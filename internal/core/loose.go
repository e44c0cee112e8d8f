package core

// looseFor is how many readings that a number ties to their part have to follow one
// that none does, before a correction is made without a person: what an average of
// readings gives to the last before so many is small by then (0.17 at a weight of
// 0.3 a reading).
const looseFor = 5

// tie counts a reading that entered the estimate of a size.
func (z *SizeBook) tie(loose bool) {
	if loose {
		z.Loose = looseFor
	} else if z.Loose > 0 {
		z.Loose--
	}
}

// loose reports whether a correction of a loop would rest on readings that no
// number tied to their parts: at any of its sizes, whichever was read last.
func (s *State) loose(l *Loop, j *Judged) bool {
	if j.NoIdent {
		return true
	}
	b := s.loopBook(l.Name)
	for i := range l.Characteristics {
		left := b.Sizes[i].Loose
		if j.kind == "" && l.Characteristics[i].Name == j.Reading.Characteristic {
			left-- // the reading that asks is tied, and is counted once it is recorded
		}
		if l.steers(i) && left > 0 {
			return true
		}
	}
	return false
}
