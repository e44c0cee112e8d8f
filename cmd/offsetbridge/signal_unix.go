//go:build unix

package main

import (
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"golang.org/x/term"
)

// onHoldSignal lets the signal that puts everything on hold into a channel.
func onHoldSignal(c chan<- os.Signal) { signal.Notify(c, syscall.SIGUSR1) }

// onReloadSignal lets the signals that ask for another configuration into a channel.
// SIGHUP is one where no terminal is: a terminal that is closed sends it to end what
// ran there.
func onReloadSignal(c chan<- os.Signal) {
	signal.Notify(c, syscall.SIGUSR2)
	if !term.IsTerminal(int(os.Stdin.Fd())) {
		signal.Notify(c, syscall.SIGHUP)
	}
}

// tellReload sends one of them.
func tellReload(pid int) error {
	if err := syscall.Kill(pid, syscall.SIGUSR2); err != nil {
		return fmt.Errorf("process %d cannot be told to reload, be the user who runs it: %w", pid, err)
	}
	return nil
}
