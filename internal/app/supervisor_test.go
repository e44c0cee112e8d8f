package app

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"

	"offsetbridge/config"
	"offsetbridge/internal/bridge"
	"offsetbridge/testdata/peers/shop"
)

// manager is the socket of a service manager.
type manager struct {
	path string
	mu   sync.Mutex
	told []string
}

func openManager(t *testing.T) *manager {
	t.Helper()
	dir, err := os.MkdirTemp("", "notify") // a test's own folder has too long a name for a socket
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) }) //nolint:errcheck // of the test
	m := &manager{path: filepath.Join(dir, "notify")}
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: m.path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() }) //nolint:errcheck // of the test
	go func() {
		b := make([]byte, 4096)
		for {
			n, err := c.Read(b)
			if err != nil {
				return
			}
			m.mu.Lock()
			m.told = append(m.told, strings.Split(string(b[:n]), "\n")...)
			m.mu.Unlock()
		}
	}()
	return m
}

func (m *manager) times(what string) (n int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, x := range m.told {
		if x == what {
			n++
		}
	}
	return n
}

// The service manager hears that the program is ready, hears from it while every
// loop answers, and no longer.
func TestTheServiceManagerHearsWhileEveryLoopAnswers(t *testing.T) {
	t.Parallel()
	m := openManager(t)
	env := map[string]string{"NOTIFY_SOCKET": m.path, "WATCHDOG_USEC": "400000", "WATCHDOG_PID": fmt.Sprint(os.Getpid())}
	s, err := FindSupervisor(func(k string) string { return env[k] }, os.Getpid())
	if err != nil {
		t.Fatal(err)
	}
	plant := shop.Open(t, shop.Options{})
	c, err := config.Load(plant.Config(t))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	a, err := New(ctx, Options{Config: c, Digest: "test", Version: "test", Log: zap.NewNop(), Supervisor: s})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	if n := m.times("READY=1"); n != 0 {
		t.Error("it is told to be ready before it runs")
	}
	var running sync.WaitGroup
	running.Go(func() {
		if err := a.Run(ctx); err != nil && !errors.Is(err, context.Canceled) {
			t.Error(err)
		}
	})
	shop.Wait(t, "the service manager hears that it is ready", func() bool { return m.times("READY=1") == 1 })
	shop.Wait(t, "the service manager hears again and again", func() bool { return m.times("WATCHDOG=1") >= 3 })

	// One loop hangs.
	hangs, goOn := make(chan struct{}), make(chan struct{})
	running.Go(func() {
		a.machines[0].runner.Look(ctx, func(bridge.Decider) { close(hangs); <-goOn }) //nolint:errcheck // looked at below
	})
	<-hangs
	time.Sleep(100 * time.Millisecond) // what was on its way has arrived
	before := m.times("WATCHDOG=1")
	time.Sleep(time.Second)
	if n := m.times("WATCHDOG=1"); n > before {
		t.Errorf("a loop hangs, and the service manager heard %d more times that all is well", n-before)
	}
	close(goOn)
	shop.Wait(t, "the service manager hears again once the loop goes on", func() bool { return m.times("WATCHDOG=1") > before })
	cancel()
	running.Wait()
}

func TestWhoWantsToBeTold(t *testing.T) {
	t.Parallel()
	for _, x := range []struct {
		socket, µs, pid string
		every           time.Duration
		nobody, refused bool
	}{
		{nobody: true},
		{µs: "30000000", nobody: true},
		{socket: "/run/systemd/notify", µs: "30000000", pid: "7", every: 30 * time.Second},
		{socket: "@abstract", µs: "30000000", every: 30 * time.Second},
		{socket: "/run/systemd/notify", µs: "30000000", pid: "8"}, // meant for another process
		{socket: "/run/systemd/notify"},
		{socket: "notify", refused: true},
		{socket: "/n", µs: "soon", refused: true},
		{socket: "/n", µs: "-1", refused: true},
		{socket: "/n", µs: "99999999999999", refused: true},
	} {
		env := map[string]string{"NOTIFY_SOCKET": x.socket, "WATCHDOG_USEC": x.µs, "WATCHDOG_PID": x.pid}
		s, err := FindSupervisor(func(k string) string { return env[k] }, 7)
		if (err != nil) != x.refused || (s == nil) != (x.nobody || x.refused) || s != nil && s.every != x.every {
			t.Errorf("%v: %+v, %v", env, s, err)
		}
	}
	if err := (*Supervisor)(nil).Tell("READY=1"); err != nil {
		t.Errorf("nobody is told: %v", err)
	}
	if err := (&Supervisor{socket: filepath.Join(t.TempDir(), "gone")}).Tell("READY=1"); err == nil || !strings.Contains(err.Error(), "cannot be told") {
		t.Errorf("a socket that is gone: %v", err)
	}
}
