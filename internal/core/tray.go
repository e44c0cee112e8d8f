package core

import "slices"

// maxMachineTray bounds the readings of one machine that wait for somebody to
// say what they are. Older ones stay in the journal.
const maxMachineTray = 64

// Assign says which part a reading in the tray belongs to.
type Assign struct {
	Item           uint64 `json:"item"`
	Machine        string `json:"machine,omitempty"` // of the plant's tray only
	Characteristic string `json:"characteristic,omitempty"`
	Part           string `json:"part"`
	Reason         string `json:"reason"`
	Who            Person `json:"who"`
}

// Discard says that a reading in the tray is none of a part.
type Discard struct {
	Item   uint64 `json:"item"`
	Reason string `json:"reason"`
	Who    Person `json:"who"`
}

// Assigned: a person said whose a reading is. The reading is used as one that
// was entered by hand: it is tied to its part by a word, not by a number.
type Assigned struct {
	Item    uint64   `json:"id"`
	Record  uint64   `json:"pl,omitempty"` // of the plant's stream, where it waited there
	Machine string   `json:"m,omitempty"`  // to which the plant hands it
	Reading *Reading `json:"r,omitempty"`  // as the plant hands it over
	Part    string   `json:"p"`
	Reason  string   `json:"t"`
	Who     Person   `json:"w"`
}

// Discarded: a person said that a reading belongs to no part. It stays in the
// journal.
type Discarded struct {
	Item   uint64 `json:"id"`
	Reason string `json:"t"`
	Who    Person `json:"w"`
}

func (Assign) fact()  {}
func (Discard) fact() {}

func (Assigned) Kind() string  { return "assign" }
func (Discarded) Kind() string { return "discard" }

func (e Assigned) Keys() Keys {
	k := Keys{Part: e.Part, Person: e.Who.Principal}
	if e.Reading != nil {
		k.Gauge = e.Reading.Gauge
	}
	return k
}
func (e Discarded) Keys() Keys { return Keys{Person: e.Who.Principal} }

// find returns the reading of that number in a tray.
func find(tray []Unplaced, item uint64) *Unplaced {
	i := slices.IndexFunc(tray, func(u Unplaced) bool { return u.ID == item })
	if i < 0 {
		return nil
	}
	return &tray[i]
}

func without(tray []Unplaced, item uint64) []Unplaced {
	return slices.DeleteFunc(tray, func(u Unplaced) bool { return u.ID == item })
}

// refusal says why a person may not sort an item of a tray.
func refusal(item *Unplaced, reason string, who Person) Code {
	switch {
	case item == nil:
		return declineNoItem
	case !who.Role.May(Operator):
		return declineRole
	case reason == "":
		return declineReason
	}
	return ""
}

// placed returns the reading of an item as a person places it. It has no number
// of its own any more: that was used when it came.
func placed(r Reading, f Assign) Reading {
	who := f.Who
	r.Part, r.Sequence, r.Cut, r.Manual, r.Reason = f.Part, 0, 0, &who, f.Reason
	if f.Characteristic != "" {
		r.Characteristic = f.Characteristic
	}
	return r
}

func (d *decision) assign(f Assign) {
	item := find(d.book().Tray, f.Item)
	code := refusal(item, f.Reason, f.Who)
	var r Reading
	if code == "" {
		r = placed(item.Reading, f)
		l, _ := d.set().Find(r.Characteristic)
		switch {
		case r.Part == "":
			code = codeNoPart
		case l == nil:
			code = codeNoCharacteristic
		}
	}
	if code != "" {
		d.emit(Declined{What: "assign", Ref: f.Item, Cause: code, Who: f.Who})
		return
	}
	d.emit(Assigned{Item: f.Item, Part: f.Part, Reason: f.Reason, Who: f.Who})
	d.reading(r)
}

func (d *decision) discard(f Discard) {
	if code := refusal(find(d.book().Tray, f.Item), f.Reason, f.Who); code != "" {
		d.emit(Declined{What: "discard", Ref: f.Item, Cause: code, Who: f.Who})
		return
	}
	d.emit(Discarded(f))
}

// assignedByPlant takes a reading that waited in the plant's tray.
func (d *decision) assignedByPlant(record uint64, e Assigned) {
	if e.Reading == nil {
		return
	}
	r := e.Reading.tidy()
	e.Record, e.Reading, e.Machine = record, nil, ""
	d.emit(e)
	d.reading(r)
}
