package app

import (
	"context"
	"fmt"
	"net"
	"strconv"
	"strings"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/bridge"
)

// Supervisor is the service manager that started the program, told about it by
// datagrams at the socket that it names in the environment: the notify protocol of
// systemd (sd_notify(3), sd_watchdog_enabled(3)).
type Supervisor struct {
	socket string
	every  time.Duration // within which it wants to hear; 0: it does not watch
}

// FindSupervisor returns who wants to be told, by the environment of the process pid,
// or nil when nobody does.
func FindSupervisor(env func(string) string, pid int) (*Supervisor, error) {
	s := &Supervisor{socket: env("NOTIFY_SOCKET")}
	if s.socket == "" {
		return nil, nil
	}
	if s.socket[0] != '/' && s.socket[0] != '@' {
		return nil, fmt.Errorf("NOTIFY_SOCKET %q is neither a path nor the name of an abstract socket, start the program by its service manager", s.socket)
	}
	if who := env("WATCHDOG_PID"); who != "" && who != strconv.Itoa(pid) {
		return s, nil // meant for another process
	}
	if t := env("WATCHDOG_USEC"); t != "" {
		µs, err := strconv.ParseInt(t, 10, 64)
		if err != nil || µs <= 0 || µs > 24*time.Hour.Microseconds() {
			return nil, fmt.Errorf("WATCHDOG_USEC %q is no time in µs up to a day, start the program by its service manager", t)
		}
		s.every = time.Duration(µs) * time.Microsecond
	}
	return s, nil
}

// Tell sends assignments, as READY=1, STATUS=text or WATCHDOG=1. Nobody is told by
// nil. It never waits long: the datagram is taken or it is lost.
func (s *Supervisor) Tell(assignments ...string) error {
	if s == nil {
		return nil
	}
	c, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: s.socket, Net: "unixgram"})
	if err != nil {
		return fmt.Errorf("the service manager cannot be told: %w", err)
	}
	defer c.Close()                                 //nolint:errcheck // sent, or not
	c.SetWriteDeadline(time.Now().Add(time.Second)) //nolint:errcheck // of an open socket
	if _, err := c.Write([]byte(strings.Join(assignments, "\n"))); err != nil {
		return fmt.Errorf("the service manager cannot be told: %w", err)
	}
	return nil
}

// tell tells the service manager, if there is one; what it does not hear harms nobody.
func (a *App) tell(assignments ...string) {
	if err := a.o.Supervisor.Tell(assignments...); err != nil {
		a.log.Warn(err.Error())
	}
}

// answerAll looks once at every loop: they run, and what they see is durable.
func (a *App) answerAll(ctx context.Context) error {
	for _, r := range a.runners() {
		if err := r.Look(ctx, func(bridge.Decider) {}); err != nil {
			return err
		}
	}
	return nil
}

// keepSupervised says that all is well for as long as every loop answers. When one
// does not, it says nothing, and the service manager ends the program.
func (a *App) keepSupervised(ctx context.Context) {
	s := a.o.Supervisor
	if s == nil || s.every == 0 {
		return
	}
	t := time.NewTicker(s.every / 4)
	defer t.Stop()
	for {
		look, cancel := context.WithTimeout(ctx, s.every/2)
		err := a.answerAll(look)
		cancel()
		if err == nil {
			err = s.Tell("WATCHDOG=1")
		}
		if err != nil && ctx.Err() == nil {
			a.log.Error("a loop does not answer: the service manager is not told that all is well", zap.Error(err))
		}
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
	}
}
