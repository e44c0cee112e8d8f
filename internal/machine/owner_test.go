package machine

import (
	"fmt"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"offsetbridge/internal/core"
)

var owned atomic.Int64 // machines in these tests, each at an address of its own

// marked gives the fake a node for owner marks.
func marked(mark string) *fakeRig {
	r := newFakeRig()
	r.f.add("owner", mark, 12, 3)
	return r
}

func (r *fakeRig) mark() string {
	r.f.mu.Lock()
	defer r.f.mu.Unlock()
	return r.f.nodes["ns=2;s=owner"].value.(string)
}

// as is a program of an installation. It stands on a computer of its own unless two
// have the same endpoint.
func as(installation string) func(*Options) {
	endpoint := fmt.Sprintf("opc.tcp://127.0.0.1:%d", 1+owned.Add(1))
	return func(o *Options) {
		o.Installation, o.Endpoint = installation, endpoint
		o.Owner = Node{ID: "nsu=" + fakeURI + ";s=owner"}
		o.Window = 100 * time.Millisecond
	}
}

// isDown waits for a session that failed with a difference.
func (s *scene) isDown(code core.Code) {
	s.Helper()
	s.until("down with "+string(code), func() bool { return !s.link.Up && s.link.Cause == code })
	if !s.link.Bad {
		s.Errorf("%s clears itself", code)
	}
}

func TestOwnerMark(t *testing.T) {
	t.Parallel()
	t.Run("claimed, kept over sessions, and emptied at the end", func(t *testing.T) {
		t.Parallel()
		r := marked("")
		s := play(t, r, as("A"))
		s.live()
		mine := r.mark()
		if !strings.HasPrefix(mine, "A/") || len(mine) != len("A/")+8 {
			t.Fatalf("the mark is %q", mine)
		}
		r.down()
		s.until("down", func() bool { return !s.link.Up })
		r.up()
		s.live()
		if r.mark() != mine {
			t.Errorf("it was %q and is %q in the next session", mine, r.mark())
		}
		s.expect(s.write(s.intent(12*step)), core.Applied, "")
		s.m.Close()
		if r.mark() != "" {
			t.Errorf("left behind: %q", r.mark())
		}
	})
	t.Run("another installation is respected", func(t *testing.T) {
		t.Parallel()
		r := marked("B/00000000")
		s := play(t, r, as("A"))
		s.isDown(CodeOwner)
		s.m.Close()
		if r.mark() != "B/00000000" {
			t.Errorf("overwritten with %q", r.mark())
		}
	})
	t.Run("an earlier life is taken over", func(t *testing.T) {
		t.Parallel()
		r := marked("A/00000000")
		s := play(t, r, as("A"))
		s.live()
		if r.mark() == "A/00000000" {
			t.Error("the mark of the life before still stands")
		}
	})
	t.Run("who only watches claims nothing", func(t *testing.T) {
		t.Parallel()
		r := marked("B/00000000")
		s := play(t, r, func(o *Options) { as("A")(o); o.Installation = "" })
		s.live()
	})
	t.Run("a mark that cannot be written", func(t *testing.T) {
		t.Parallel()
		r := marked("")
		r.f.nodes["ns=2;s=owner"].access = 1
		r.f.mishap = refused
		play(t, r, as("A")).isDown(CodeOwner)
	})
	t.Run("a mark that is no text", func(t *testing.T) {
		t.Parallel()
		r := newFakeRig()
		r.f.add("owner", int32(0), 6, 3)
		play(t, r, as("A")).isDown(CodeType)
	})
}

// A program that sleeps while another life takes the machine over wakes up with an
// intent in its hands: the look before the write shows the other's mark. It does not
// come back by itself either, not even once the other has gone.
func TestAnOldLifeWritesNothing(t *testing.T) {
	t.Parallel()
	r := marked("")
	s := play(t, r, func(o *Options) { as("A")(o); o.Poll, o.Watch = time.Hour, time.Hour })
	s.live()
	in := s.intent(12 * step)
	r.f.mu.Lock() // without a wake-up: it sleeps
	r.f.nodes["ns=2;s=owner"].value = "A/ffffffff"
	r.f.mu.Unlock()
	before := r.effects()
	o := s.write(in)
	s.expect(o, core.NotSent, CodePreRead)
	if !strings.Contains(o.Text, "A/ffffffff") {
		t.Errorf("it says %q", o.Text)
	}
	s.isDown(CodeOwner)
	if n := r.effects() - before; n != 0 || r.get("R1") != 0.010 {
		t.Errorf("%d writes, R1 is %v", n, r.get("R1"))
	}
	s.m.Close()
	if r.mark() != "A/ffffffff" {
		t.Errorf("the mark of the one that has taken over became %q", r.mark())
	}
}

// Two that claim at the same moment: the one whose mark was overwritten sees it.
func TestTwoClaimAtOnce(t *testing.T) {
	t.Parallel()
	r := marked("")
	var once atomic.Bool
	r.f.onRead = func() {
		r.f.mu.Lock()
		defer r.f.mu.Unlock()
		n := r.f.nodes["ns=2;s=owner"]
		if strings.HasPrefix(n.value.(string), "A/") && once.CompareAndSwap(false, true) {
			n.value = "B/00000000" // written between ours and our second look
		}
	}
	s := play(t, r, as("A"))
	s.isDown(CodeOwner)
	if r.mark() != "B/00000000" {
		t.Errorf("the mark is %q", r.mark())
	}
}
