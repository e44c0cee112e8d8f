package estimate

import (
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
)

// A model is some seventy numbers, and a state has dozens of models: written as decimal
// numbers they would be most of a snapshot and most of the time that a start takes. Their
// text form is base64 of the bits, least significant byte first: a mask of what is not zero
// (one bit a number, in the order X, P, LogW, B), then those numbers.

const (
	nNumbers = nState + nPacked + 2
	maskSize = (nNumbers + 7) / 8
)

// numbers lists the places of a model's numbers in the order of the text form.
func (m *Model) numbers(do func(i int, x *float64)) {
	for i := range m.X {
		do(i, &m.X[i])
	}
	for i := range m.P {
		do(nState+i, &m.P[i])
	}
	do(nState+nPacked, &m.LogW)
	do(nState+nPacked+1, &m.B)
}

// MarshalText writes the model bit for bit.
func (m Model) MarshalText() ([]byte, error) {
	var raw [maskSize + 8*nNumbers]byte
	n := maskSize
	m.numbers(func(i int, x *float64) {
		if b := math.Float64bits(*x); b != 0 {
			raw[i/8] |= 1 << (i % 8)
			binary.LittleEndian.PutUint64(raw[n:], b)
			n += 8
		}
	})
	return base64.RawStdEncoding.AppendEncode(nil, raw[:n]), nil
}

// UnmarshalText reads what MarshalText wrote.
func (m *Model) UnmarshalText(text []byte) error {
	var raw [maskSize + 8*nNumbers]byte
	if most := base64.RawStdEncoding.EncodedLen(len(raw)); len(text) > most {
		return fmt.Errorf("a model of the estimate has %d characters, %d at most are expected", len(text), most)
	}
	size, err := base64.RawStdEncoding.Decode(raw[:], text)
	if err != nil {
		return fmt.Errorf("a model of the estimate does not read back: %w", err)
	}
	n := maskSize
	m.numbers(func(i int, x *float64) {
		*x = 0
		if raw[i/8]&(1<<(i%8)) != 0 && n+8 <= len(raw) {
			*x = math.Float64frombits(binary.LittleEndian.Uint64(raw[n:]))
			n += 8
		}
	})
	if n != size {
		return fmt.Errorf("a model of the estimate has %d bytes where its mask says %d", size, n)
	}
	return nil
}

// pending are events that wait for their readings. Its JSON form leaves out the empty ones
// at the end, which are nearly all.
type pending [nPending]Event

// MarshalJSON writes the events that there are.
func (p pending) MarshalJSON() ([]byte, error) {
	n := len(p)
	for n > 0 && p[n-1] == (Event{}) {
		n--
	}
	return json.Marshal(p[:n])
}
