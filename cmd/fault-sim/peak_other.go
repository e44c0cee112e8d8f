//go:build !unix

package main

// peak returns what the runtime has asked of the system.
func peak(asked uint64) uint64 { return asked }
