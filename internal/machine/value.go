package machine

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/gopcua/opcua/ua"

	"offsetbridge/internal/length"
)

// errInexact is returned for a length that a register cannot hold.
var errInexact = errors.New("the register cannot hold this value exactly")

// codec turns one register's value into an exact length and back. What it
// encodes decodes to the same length, or it refuses.
type codec struct {
	typ  ua.TypeID
	unit length.Unit
	step length.Length
}

// newCodec checks that a register of this type can hold every step of its band.
func newCodec(v *ua.Variant, r Register) (codec, error) {
	c := codec{v.Type(), r.Unit, r.Step}
	if v.Has(ua.VariantArrayValues) {
		return c, fmt.Errorf("it is an array, map one scalar node a register")
	}
	switch {
	case r.Text && c.typ != ua.TypeIDString:
		return c, fmt.Errorf("it is %s, configured as text", typeName(c.typ))
	case r.Text, c.typ == ua.TypeIDDouble:
	case c.typ == ua.TypeIDFloat:
		far := float32(max(math.Abs(r.Band.Low.Float(r.Unit)), math.Abs(r.Band.High.Float(r.Unit))))
		gap := float64(math.Nextafter32(far, math.MaxFloat32)) - float64(far)
		if gap*float64(r.Unit.Size()) > float64(r.Step) {
			return c, fmt.Errorf("it is Float, which cannot tell steps of %s at the end of the band %s", r.Step, r.Band)
		}
	case isInteger(c.typ):
		if r.Step%r.Unit.Size() != 0 {
			return c, fmt.Errorf("it is %s, which cannot hold steps of %s in %s", typeName(c.typ), r.Step, r.Unit)
		}
	case c.typ == ua.TypeIDString:
		return c, fmt.Errorf("it is String, allow text in the configuration if the control holds numbers so")
	default:
		return c, fmt.Errorf("it is %s, not a number", typeName(c.typ))
	}
	return c, nil
}

// decode returns the length a register shows. A Float that is the nearest one
// to a multiple of the step means that multiple.
func (c codec) decode(v *ua.Variant) (length.Length, error) {
	if v == nil || v.Type() != c.typ || v.Has(ua.VariantArrayValues) {
		return 0, fmt.Errorf("it is %s now", variantName(v))
	}
	switch x := v.Value().(type) {
	case float64:
		return c.finite(x)
	case float32:
		l, err := c.finite(float64(x))
		if err != nil {
			return 0, err
		}
		if near := length.Round(l, l, c.step); float32(near.Float(c.unit)) == x {
			return near, nil
		}
		return l, nil
	case string:
		return length.ParseNumber(strings.TrimSpace(x), c.unit)
	}
	n, ok := integer(v)
	if limit := int64(length.Max / c.unit.Size()); !ok || n > limit || n < -limit {
		return 0, fmt.Errorf("%v is out of range", v.Value())
	}
	return length.Length(n) * c.unit.Size(), nil
}

func (c codec) finite(x float64) (length.Length, error) {
	l, ok := length.FromFloat(x, c.unit)
	if !ok {
		return 0, fmt.Errorf("%v is no length", x)
	}
	return l, nil
}

// encode returns the value to send for l.
func (c codec) encode(l length.Length) (*ua.Variant, error) {
	var value any
	switch {
	case c.typ == ua.TypeIDDouble:
		value = l.Float(c.unit)
	case c.typ == ua.TypeIDFloat:
		value = float32(l.Float(c.unit))
	case c.typ == ua.TypeIDString:
		value = l.In(c.unit)
	case l%c.unit.Size() != 0:
		return nil, errInexact
	default:
		var ok bool
		if value, ok = fit(c.typ, int64(l/c.unit.Size())); !ok {
			return nil, errInexact
		}
	}
	v, err := ua.NewVariant(value)
	if err != nil {
		return nil, err
	}
	if back, err := c.decode(v); err != nil || back != l {
		return nil, errInexact
	}
	return v, nil
}

// fit returns n as the integer type, false when it does not fit.
func fit(t ua.TypeID, n int64) (any, bool) {
	switch t {
	case ua.TypeIDSByte:
		return int8(n), n == int64(int8(n))
	case ua.TypeIDByte:
		return uint8(n), n == int64(uint8(n))
	case ua.TypeIDInt16:
		return int16(n), n == int64(int16(n))
	case ua.TypeIDUint16:
		return uint16(n), n == int64(uint16(n))
	case ua.TypeIDInt32:
		return int32(n), n == int64(int32(n))
	case ua.TypeIDUint32:
		return uint32(n), n == int64(uint32(n))
	case ua.TypeIDInt64:
		return n, true
	case ua.TypeIDUint64:
		return uint64(n), n >= 0
	}
	return nil, false
}

func isInteger(t ua.TypeID) bool { return t >= ua.TypeIDSByte && t <= ua.TypeIDUint64 }

// integer returns a scalar integer, or a float that is a whole number.
func integer(v *ua.Variant) (int64, bool) {
	if v == nil || v.Has(ua.VariantArrayValues) {
		return 0, false
	}
	switch x := v.Value().(type) {
	case int8:
		return int64(x), true
	case uint8:
		return int64(x), true
	case int16:
		return int64(x), true
	case uint16:
		return int64(x), true
	case int32:
		return int64(x), true
	case uint32:
		return int64(x), true
	case int64:
		return x, true
	case uint64:
		return int64(x), x <= math.MaxInt64
	case float32:
		return whole(float64(x))
	case float64:
		return whole(x)
	}
	return 0, false
}

func whole(x float64) (int64, bool) {
	if x != math.Trunc(x) || math.Abs(x) > 1<<53 {
		return 0, false
	}
	return int64(x), true
}

// textOf returns a scalar as text: strings and localized texts as they are,
// integers in decimal, booleans as "true" and "false".
func textOf(v *ua.Variant) (string, bool) {
	if v == nil || v.Has(ua.VariantArrayValues) {
		return "", false
	}
	switch x := v.Value().(type) {
	case string:
		return clip(x), true
	case *ua.LocalizedText:
		if x == nil {
			return "", true
		}
		return clip(x.Text), true
	case bool:
		return strconv.FormatBool(x), true
	}
	if n, ok := integer(v); ok {
		return strconv.FormatInt(n, 10), true
	}
	return "", false
}

// typeName is the type's name as OPC 10000-6 writes it.
func typeName(t ua.TypeID) string {
	return strings.Replace(strings.TrimPrefix(t.String(), "TypeID"), "Uint", "UInt", 1)
}

func variantName(v *ua.Variant) string {
	switch {
	case v == nil || v.Type() == ua.TypeIDNull:
		return "empty"
	case v.Has(ua.VariantArrayValues):
		return "array of " + typeName(v.Type())
	}
	return typeName(v.Type())
}

// euUnits are the common codes of UNECE Recommendation 20 for lengths, packed
// as OPC 10000-8 prescribes (three ASCII characters in an integer; from memory).
var euUnits = map[int32]length.Unit{
	'M'<<16 | 'M'<<8 | 'T': length.MM,
	'4'<<8 | 'H':           length.UM,
	'C'<<16 | '4'<<8 | '5': length.NM,
	'I'<<16 | 'N'<<8 | 'H': length.IN,
	'7'<<8 | '7':           length.THOU,
}

// euUnit returns the unit a server tells, told=false when it tells none, and
// the text to show for one that is not a length we know.
func euUnit(e *ua.EUInformation) (u length.Unit, text string, told bool) {
	if e == nil {
		return "", "", false
	}
	if e.DisplayName != nil {
		text = clip(strings.TrimSpace(e.DisplayName.Text))
	}
	byID, known := euUnits[e.UnitID]
	byText, err := length.ParseUnit(text)
	switch {
	case known && err == nil && byID != byText:
		return "", fmt.Sprintf("%s by its code, %s by its name", byID, byText), true
	case known:
		return byID, string(byID), true
	case err == nil:
		return byText, string(byText), true
	case text == "" && e.UnitID <= 0:
		return "", "", false
	case text == "":
		text = fmt.Sprintf("unit code %d", e.UnitID)
	}
	return "", text, true
}
