package core

import (
	"maps"
	"reflect"
	"slices"
	"testing"
)

// named fills what an event is looked for by, wherever in it that stands.
func named(v reflect.Value) {
	for i := range v.NumField() {
		f := v.Field(i)
		switch {
		case !f.CanSet():
		case f.Kind() == reflect.Struct && f.Type() != reflect.TypeFor[Person]():
			named(f)
		case f.Kind() == reflect.String && slices.Contains([]string{"Loop", "Part", "Gauge"}, v.Type().Field(i).Name):
			f.SetString("the " + v.Type().Field(i).Name)
		}
	}
}

// Whatever an event of the record says about a loop, a part or a gauge, it is found under that.
func TestEveryEventIsFoundUnderWhatItNames(t *testing.T) {
	looked := 0
	for _, kind := range slices.Sorted(maps.Keys(decoders)) {
		empty, err := Decode(kind, []byte("{}"))
		if err != nil {
			t.Fatalf("%s: %v", kind, err)
		}
		v := reflect.New(reflect.TypeOf(empty)).Elem()
		named(v)
		e := v.Interface().(Event)
		if e.Kind() != kind {
			t.Errorf("%s is decoded as %s", kind, e.Kind())
		}
		keys := reflect.ValueOf(e.Keys())
		for _, name := range []string{"Loop", "Part", "Gauge"} {
			f := v.FieldByName(name)
			if !f.IsValid() || f.Kind() != reflect.String {
				continue
			}
			looked++
			if got := keys.FieldByName(name).String(); got != "the "+name {
				t.Errorf("%s names a %s and is found under %q", kind, name, got)
			}
		}
	}
	if looked < 20 {
		t.Errorf("only %d names were looked at", looked)
	}
}
