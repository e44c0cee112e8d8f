package main

import (
	"errors"
	"os"
)

// onHoldSignal does nothing: this system has no such signal, and no daemon.
func onHoldSignal(chan<- os.Signal) {}

// onReloadSignal does nothing, likewise.
func onReloadSignal(chan<- os.Signal) {}

// tellReload reaches nobody.
func tellReload(int) error { return errors.New("no daemon runs on Windows, reload it where it runs") }
