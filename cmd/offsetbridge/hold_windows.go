package main

import "os"

// onHoldSignal does nothing: this system has no such signal, and no daemon.
func onHoldSignal(chan<- os.Signal) {}
