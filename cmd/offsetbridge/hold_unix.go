//go:build unix

package main

import (
	"os"
	"os/signal"
	"syscall"
)

// onHoldSignal lets the signal that puts everything on hold into a channel.
func onHoldSignal(c chan<- os.Signal) { signal.Notify(c, syscall.SIGUSR1) }
