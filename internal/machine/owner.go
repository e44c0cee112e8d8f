package machine

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"net/url"
	"strings"

	"github.com/gopcua/opcua/ua"
	"go.uber.org/zap"
)

// One program writes to a machine. Two things see to it:
//
// On this computer a lock of the operating system, which ends with the process,
// however it ends.
//
// At the machine the owner mark, a text in a node of Options.Owner: which
// installation writes there, and which life of it. It is claimed before a session
// counts as up and read together with everything else before each write. A program
// that finds another mark than its own writes nothing: one that slept, or was
// restored from a copy, while another took over, too. A later life of the same
// installation takes over from an earlier one; another installation never does, a
// person ends the other one or empties the mark at the control. Closed in good
// order, a program empties its mark.

// roleOwner is the role of the mark's node in a Finding.
const roleOwner = "owner"

// mostMark bounds a mark.
const mostMark = 120

// ErrHeld says that another process on this computer writes to the machine.
var ErrHeld = errors.New("another process on this computer writes to it")

// owner is who we are at the machine; the session goroutine's own, but for mark.
type owner struct {
	mark string   // ours in this life; "" claims nothing
	had  bool     // it stood at the machine in this life
	lock net.Conn // kept until Close; nil before the first session
}

func newOwner(o *Options) owner {
	if o.Installation == "" {
		return owner{}
	}
	life := make([]byte, 4)
	rand.Read(life) //nolint:errcheck // never fails (crypto/rand)
	return owner{mark: clipTo(mostMark, o.Installation) + "/" + hex.EncodeToString(life)}
}

// earlier reports whether a mark is of a life before this one.
func (w *owner) earlier(mark string) bool {
	ours, _, _ := strings.Cut(w.mark, "/")
	theirs, _, _ := strings.Cut(mark, "/")
	return ours == theirs
}

// key names a machine for the lock of this computer.
func (o *Options) key() string {
	host := o.Endpoint
	if u, err := url.Parse(o.Endpoint); err == nil {
		host = u.Host
	}
	return host + " " + o.Serial
}

// claim makes us the one program that writes to the machine, or says who is.
func (m *Machine) claim(ctx context.Context, s session, l *layout) *fault {
	w := &m.owner
	if w.mark == "" {
		return nil
	}
	if w.lock == nil {
		lock, err := holdOnHost(m.o.key())
		if err != nil {
			return differs(CodeOwner, "%v", err)
		}
		w.lock = lock
	}
	if l.owner < 0 {
		return nil
	}
	node := l.nodes[l.owner]
	held, err := markAt(ctx, s, node)
	switch {
	case err != nil:
		return faultOf(err)
	case held == w.mark:
		w.had = true
		return nil
	case held != "" && (w.had || !w.earlier(held)):
		return differs(CodeOwner, "it reads %q, ours is %q", clip(held), w.mark)
	}
	if held != "" {
		m.o.Log.Info("an earlier life of this installation left its owner mark, taken over", zap.String("mark", clip(held)))
	}
	if why := m.mark(ctx, s, node, w.mark); why != nil {
		return why
	}
	m.o.sleep(m.o.Window) // whoever claims at the same moment has written by then
	if held, err = markAt(ctx, s, node); err != nil {
		return faultOf(err)
	}
	if held != w.mark {
		return differs(CodeOwner, "it reads %q just after ours was written, %q", clip(held), w.mark)
	}
	w.had = true
	return nil
}

func (m *Machine) mark(ctx context.Context, s session, node *ua.ReadValueID, text string) *fault {
	v, err := ua.NewVariant(text)
	if err != nil {
		return differs(CodeConfig, "owner mark: %v", err)
	}
	st, err := s.write(ctx, valueTo(node.NodeID, v), m.o.Request)
	switch {
	case err != nil:
		return faultOf(err)
	case st != ua.StatusOK:
		return differs(CodeOwner, "the mark cannot be written: %s", statusText(st))
	}
	return nil
}

func markAt(ctx context.Context, s session, node *ua.ReadValueID) (string, error) {
	a, err := s.read(ctx, []*ua.ReadValueID{node})
	if err != nil {
		return "", err
	}
	text, err := textAt(a, 0)
	if err != nil {
		return "", wait(CodeRead, "owner mark: %v", err)
	}
	return text, nil
}

// foreign says that somebody else has the machine, nil where we do.
func (m *Machine) foreign(l *layout, s *snapshot) error {
	if l.owner < 0 || m.owner.mark == "" || s.owner == m.owner.mark {
		return nil
	}
	return differs(CodeOwner, "it reads %q, ours is %q", clip(s.owner), m.owner.mark)
}

// release empties our mark in a session that closes in good order, so that another
// installation may begin.
func (m *Machine) release(e *epoch) {
	if e.layout.owner < 0 || !m.owner.had {
		return
	}
	ctx, node := context.Background(), e.layout.nodes[e.layout.owner]
	if held, err := markAt(ctx, e.s, node); err != nil || held != m.owner.mark {
		return
	}
	if why := m.mark(ctx, e.s, node, ""); why != nil {
		m.o.Log.Info("our owner mark stays at the machine", zap.Error(why))
	}
}

func (w *owner) unlock() {
	if w.lock != nil {
		w.lock.Close() //nolint:errcheck // it ends with the process at the latest
	}
}

func held(key string) error { return fmt.Errorf("%w (%s)", ErrHeld, clip(key)) }
