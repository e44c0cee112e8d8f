package account

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"offsetbridge/internal/core"
)

const right = "274916"

// checker stands for the slow hash and counts.
type checker struct {
	mu   sync.Mutex
	n    int
	busy int
	most int
}

func (c *checker) match(hash, pin string) bool {
	c.mu.Lock()
	c.n++
	c.busy++
	c.most = max(c.most, c.busy)
	c.mu.Unlock()
	time.Sleep(150 * time.Millisecond) // of virtual time
	c.mu.Lock()
	defer c.mu.Unlock()
	c.busy--
	return hash == "hash of "+pin
}

func (c *checker) count() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.n
}

func house(c *checker) *House {
	return New(Options{Match: c.match, People: []Person{
		{ID: "p2", Name: "Bo", Role: core.Setter, Hash: "hash of 805133"},
		{ID: "p1", Name: "Anna", Role: core.Operator, Hash: "hash of " + right},
	}})
}

func enter(t *testing.T, h *House, a Attempt) Entry {
	t.Helper()
	e, err := h.SignIn(t.Context(), a)
	if err != nil {
		t.Fatalf("%s from %s: %v", a.Person, a.Address, err)
	}
	return e
}

func TestSomebodySignsInActsAndSignsOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := house(&checker{})
		if p := h.People(); len(p) != 2 || p[0].Name != "Anna" || p[0].Hash != "" || p[1].Hash != "" {
			t.Fatalf("People = %+v, want both by name without hashes", p)
		}
		if _, err := h.SignIn(t.Context(), Attempt{Person: "p1", PIN: "274917", Address: "10.0.0.1"}); !errors.Is(err, ErrWrong) {
			t.Fatalf("a wrong PIN: %v", err)
		}
		if _, err := h.SignIn(t.Context(), Attempt{Person: "p9", PIN: right, Address: "10.0.0.1"}); !errors.Is(err, ErrNobody) {
			t.Fatalf("nobody: %v", err)
		}
		e := enter(t, h, Attempt{Person: "p1", PIN: right, Address: "10.0.0.1"})
		s, ok := h.Session(e.Session, true)
		if !ok || s.Person.ID != "p1" || s.Person.Role != core.Operator || s.Person.Hash != "" || !s.Fresh {
			t.Fatalf("Session = %+v, %v", s, ok)
		}
		if _, ok := h.Session(e.Device, true); ok {
			t.Error("the device's token opens a session")
		}
		h.SignOut(e.Session)
		if _, ok := h.Session(e.Session, true); ok {
			t.Error("a session goes on after it was ended")
		}
	})
}

func TestASessionEndsWhenNobodyActs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := house(&checker{})
		e := enter(t, h, Attempt{Person: "p1", PIN: right, Address: "10.0.0.1"})
		for range 5 {
			time.Sleep(9 * time.Minute)
			if _, ok := h.Session(e.Session, true); !ok {
				t.Fatal("ended although somebody acted")
			}
		}
		time.Sleep(9 * time.Minute)
		if _, ok := h.Session(e.Session, false); !ok { // the page looks, nobody acts
			t.Fatal("ended before its time")
		}
		time.Sleep(time.Minute)
		if _, ok := h.Session(e.Session, true); ok {
			t.Error("goes on although nobody acted for 10 minutes")
		}
	})
}

func TestASessionEndsAfterAShiftInAnyCase(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := house(&checker{})
		e := enter(t, h, Attempt{Person: "p1", PIN: right, Address: "10.0.0.1"})
		alive := 0
		for range 30 * 60 / 5 {
			time.Sleep(5 * time.Minute)
			if _, ok := h.Session(e.Session, true); !ok {
				break
			}
			alive += 5
		}
		if alive != 12*60-5 {
			t.Errorf("lived for %d minutes, want all looks before 720", alive)
		}
	})
}

func TestTheProofOfAPersonFadesAndIsRenewed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := house(&checker{})
		e := enter(t, h, Attempt{Person: "p1", PIN: right, Address: "10.0.0.1"})
		time.Sleep(2 * time.Minute)
		if s, ok := h.Session(e.Session, true); !ok || s.Fresh {
			t.Fatalf("after two minutes: %+v, %v, want a session that is not fresh", s, ok)
		}
		if err := h.Prove(t.Context(), e.Session, "805133", "10.0.0.1", e.Device); !errors.Is(err, ErrWrong) {
			t.Errorf("another person's PIN: %v", err)
		}
		if s, _ := h.Session(e.Session, true); s.Fresh {
			t.Error("fresh after a wrong PIN")
		}
		if err := h.Prove(t.Context(), e.Session, right, "10.0.0.1", e.Device); err != nil {
			t.Fatal(err)
		}
		if s, _ := h.Session(e.Session, true); !s.Fresh {
			t.Error("not fresh after the right PIN")
		}
		if err := h.Prove(t.Context(), "none", right, "10.0.0.1", ""); !errors.Is(err, ErrNoSess) {
			t.Errorf("without a session: %v", err)
		}
	})
}

func TestSessionsAndDevicesAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(Options{Match: func(hash, pin string) bool { return hash == pin }, People: []Person{{ID: "p1", Hash: right}, {ID: "p2", Hash: right}}})
		other := enter(t, h, Attempt{Person: "p2", PIN: right, Address: "10.9.0.1"})
		var all []Entry
		for i := range maxOfPerson + 3 {
			all = append(all, enter(t, h, Attempt{Person: "p1", PIN: right, Address: fmt.Sprintf("10.0.0.%d", i)}))
			time.Sleep(2 * time.Second)
		}
		for i, e := range all {
			if _, ok := h.Session(e.Session, false); ok != (i >= 3) {
				t.Errorf("session %d of %d is open: %v", i, len(all), ok)
			}
		}
		if _, ok := h.Session(other.Session, false); !ok {
			t.Error("one person's sessions end another's")
		}
		for i := range maxDevices + 10 {
			h.remember(keyOf(fmt.Sprint(i)), "p1", time.Now())
		}
		if n := len(h.devices); n > maxDevices {
			t.Errorf("%d devices are remembered", n)
		}
	})
}

// Figures of the shop floor: 10,000 guesses from 50 addresses within a minute
// cost at most 60 hashes, one at a time, and whoever belongs here is in within
// five seconds at any moment of it.
func TestAFloodOfGuessesNeitherCostsNorLocksOut(t *testing.T) {
	for name, device := range map[string]bool{"at a known device": true, "at a new device": false} {
		for _, when := range []time.Duration{2 * time.Second, 20 * time.Second, 45 * time.Second} {
			t.Run(fmt.Sprint(name, " after ", when), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) { flood(t, device, when, 1) })
				synctest.Test(t, func(t *testing.T) { flood(t, device, when, 40) })
			})
		}
	}
}

// flood guesses at the PINs of so many people, the real user among them.
func flood(t *testing.T, known bool, when time.Duration, aim int) {
	c := &checker{}
	everybody := []Person{{ID: "p0", Hash: "hash of " + right}}
	for i := range 39 {
		everybody = append(everybody, Person{ID: fmt.Sprintf("p%d", i+1), Hash: "hash of none"})
	}
	h := New(Options{Match: c.match, People: everybody})
	me := Attempt{Person: "p0", PIN: right, Address: "127.0.1.1"}
	if known {
		me.Device = enter(t, h, me).Device
		time.Sleep(time.Hour)
	}
	before := c.count()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	var guessers sync.WaitGroup
	var mu sync.Mutex
	tried := 0
	for i := range 50 {
		guessers.Go(func() {
			for k := 0; ctx.Err() == nil && k < 200; k++ {
				pin := fmt.Sprintf("%06d", i*200+k)
				go h.SignIn(ctx, Attempt{Person: fmt.Sprintf("p%d", k%aim), PIN: pin, Address: fmt.Sprintf("127.0.0.%d", i+1)}) //nolint:errcheck // a guess
				mu.Lock()
				tried++
				mu.Unlock()
				time.Sleep(295 * time.Millisecond)
			}
		})
	}
	time.Sleep(when)
	began := time.Now()
	for {
		_, err := h.SignIn(t.Context(), me)
		var wait *WaitError
		if err == nil {
			break
		}
		if !errors.As(err, &wait) || time.Since(began) > time.Minute {
			t.Fatalf("the real user: %v", err)
		}
		time.Sleep(wait.After)
	}
	if took := time.Since(began); took > 5*time.Second {
		t.Errorf("the real user waited %s", took)
	}
	guessers.Wait()
	<-ctx.Done()
	time.Sleep(10 * time.Second)
	if n := c.count() - before; n > 60 || n < 20 || c.most != 1 {
		t.Errorf("%d hashes were computed, %d at once, want 20 to 60, one at a time", n, c.most)
	}
	if tried < 9_900 {
		t.Errorf("only %d guesses were made", tried)
	}
}

// A wrong PIN costs time, more with each, and is forgiven in the end.
func TestWrongPINsCostTheirSenderTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &checker{}
		h := house(c)
		wrong := Attempt{Person: "p1", PIN: "111222", Address: "10.0.0.1"}
		var waits []time.Duration
		for range 10 {
			for {
				_, err := h.SignIn(t.Context(), wrong)
				var wait *WaitError
				if errors.Is(err, ErrWrong) {
					break
				}
				if !errors.As(err, &wait) {
					t.Fatal(err)
				}
				waits = append(waits, wait.After.Round(time.Second))
				time.Sleep(wait.After)
			}
		}
		if fmt.Sprint(waits) != "[1s 2s 4s 8s 16s 32s 1m0s]" {
			t.Errorf("waits = %v", waits)
		}
		if _, err := h.SignIn(t.Context(), Attempt{Person: "p2", PIN: "805133", Address: "10.0.0.2"}); err != nil {
			t.Errorf("somebody else pays for it: %v", err)
		}
		time.Sleep(2 * time.Hour)
		if _, err := h.SignIn(t.Context(), wrong); !errors.Is(err, ErrWrong) {
			t.Errorf("not forgiven after two hours: %v", err)
		}
	})
}

func TestWhatAStrangerCanMakeGrowIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := house(&checker{})
		ctx, cancel := context.WithCancel(t.Context())
		for i := range maxCallers + 500 {
			go h.SignIn(ctx, Attempt{Person: "p1", PIN: "111222", Address: fmt.Sprintf("10.1.%d.%d", i/250, i%250)}) //nolint:errcheck // turned away
		}
		synctest.Wait()
		h.door.mu.Lock()
		waiting, callers := len(h.door.waiting), len(h.door.callers)
		h.door.mu.Unlock()
		if waiting > room || callers > maxCallers {
			t.Errorf("%d wait and %d addresses are remembered", waiting, callers)
		}
		cancel()
		time.Sleep(time.Minute)
		h.door.mu.Lock()
		defer h.door.mu.Unlock()
		if len(h.door.waiting) != 0 || h.door.pumping {
			t.Errorf("%d still wait for nobody", len(h.door.waiting))
		}
	})
}

func TestAddressesThatOneStrangerHasCountAsOne(t *testing.T) {
	for _, x := range [][2]string{
		{"2001:db8::1", "2001:db8::ffff:1"}, {"::ffff:10.0.0.1", "10.0.0.1"}, {"10.0.0.1", "10.0.0.1"},
	} {
		if place(x[0]) != place(x[1]) {
			t.Errorf("%s and %s are %s and %s", x[0], x[1], place(x[0]), place(x[1]))
		}
	}
	if place("10.0.0.1") == place("10.0.0.2") || place("2001:db8::1") == place("2001:db8:0:1::1") {
		t.Error("different places count as one")
	}
}
