package machine

import (
	"errors"
	"strings"
	"testing"
)

// On one computer the second process does not even ask the machine; it may begin
// once the first has ended.
func TestOneProcessOfAComputer(t *testing.T) {
	t.Parallel()
	if _, err := holdOnHost("none"); err != nil {
		t.Fatal(err)
	}
	r, here := marked(""), as("A")
	first := play(t, r, func(o *Options) { here(o); o.Owner = Node{} })
	first.live()
	second := play(t, r, func(o *Options) { here(o); o.Owner = Node{}; o.Installation = "B" })
	second.isDown(CodeOwner)
	if !strings.Contains(second.link.Text, ErrHeld.Error()) {
		t.Errorf("it says %q", second.link.Text)
	}
	first.m.Close()
	second.live()

	a, err := holdOnHost("a machine")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := holdOnHost("a machine"); !errors.Is(err, ErrHeld) {
		t.Errorf("taken twice: %v", err)
	}
	a.Close()
	if b, err := holdOnHost("a machine"); err != nil {
		t.Errorf("not free again: %v", err)
	} else {
		b.Close()
	}
}
