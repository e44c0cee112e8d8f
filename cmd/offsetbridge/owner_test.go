package main

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"offsetbridge/internal/core"
	"offsetbridge/internal/web"
	"offsetbridge/testdata/peers/shop"
	"offsetbridge/testdata/peers/wire"
)

// TestAnOldInstanceWakesUp: the daemon is stopped in its tracks with a change in its
// hands, as a virtual machine that is suspended; another one starts on a copy of its
// folder, elsewhere, and takes the machine over. Awake again, the old one finds the
// other's mark: it writes nothing, holds and says why, and the other goes on.
func TestAnOldInstanceWakesUp(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{Metal: shop.Metal{Setup: -4_000, Wear: 1_500}})
	elsewhere := wire.Start(t, s.Machine.Endpoint)
	owner := []string{"[machine.nodes]", "[machine.nodes]\nowner = \"" + s.Machine.NodeID("owner") + `"`}
	s.Config(t, append(owner, s.Machine.Endpoint, elsewhere.Endpoint())...)
	old := launch(t, s)
	old.live(t)
	mark := ownerOf(t, s)
	makePart(t, s, old)
	var card web.Card
	shop.Wait(t, "a card", func() bool {
		cards := old.cards()
		if len(cards) > 0 {
			card = cards[0]
		}
		return len(cards) > 0
	})
	if err := s.Machine.BeginCycle(); err != nil { // it has to wait for the machine
		t.Fatal(err)
	}
	shop.Wait(t, "it knows that the machine cuts", func() bool { st, ok := old.status(); return ok && !st.Machines[0].Permitted })
	if err := old.approve(card); err != nil {
		t.Fatal(err)
	}
	old.signal(t, syscall.SIGSTOP)
	t.Cleanup(func() { old.cmd.Process.Signal(syscall.SIGCONT) }) //nolint:errcheck // gone already
	if err := s.Machine.EndCycle(); err != nil {
		t.Fatal(err)
	}
	if n := len(effectLog(t, s)); n != 0 {
		t.Fatalf("%d writes before it slept: the test proves nothing", n)
	}

	journal := filepath.Join(s.Dir, "journal-copy")
	if err := os.CopyFS(journal, os.DirFS(s.Journal())); err != nil {
		t.Fatal(err)
	}
	s.Config(t, append(owner, `client_id = "offsetbridge-test"`, `client_id = "offsetbridge-copy"`,
		`directory = "journal"`, `directory = "journal-copy"`, `path = "ob.sock"`, `path = "copy.sock"`)...)
	young := launch(t, s)
	young.client = web.NewClient(filepath.Join(s.Dir, "copy.sock"))
	young.live(t)
	if now := ownerOf(t, s); now == mark || !strings.HasPrefix(now, mark[:len(mark)-8]) {
		t.Fatalf("the mark was %q and is %q", mark, now)
	}
	writesAgain(t, s, young, 0)
	before := len(effectLog(t, s))

	old.signal(t, syscall.SIGCONT)
	shop.Wait(t, "the old one is on hold", func() bool {
		st, ok := old.status()
		return ok && st.Machines[0].Hold != nil && st.Machines[0].Hold.Cause == "m-owner"
	})
	if !old.log.has("another program writes to this machine") {
		t.Errorf("it says %s", tailOf(old.log.String()))
	}
	makePart(t, s, young)
	writesAgain(t, s, young, before)
	old.stop(t)
	young.stop(t)
	ours := of[core.Concluded](read(t, s, millStream)) // of the old one
	for _, c := range ours {
		if c.Result == core.Applied || c.Result == core.Unknown {
			t.Errorf("the old one wrote: %s", core.Encode(c))
		}
	}
	if now := ownerOf(t, s); now != "" {
		t.Errorf("both have ended, and the mark is %q", now)
	}
}

func ownerOf(t *testing.T, s *shop.Shop) string {
	t.Helper()
	held, err := s.Machine.State()
	if err != nil {
		t.Fatal(err)
	}
	return held.Owner
}
