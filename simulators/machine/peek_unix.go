//go:build unix

package machine

import (
	"net"
	"syscall"
	"time"
)

// peek waits for the next message and returns its type without taking it from
// the connection; empty when the connection ended or its deadline passed.
func peek(tcp *net.TCPConn) string {
	raw, err := tcp.SyscallConn()
	if err != nil {
		return ""
	}
	for b := make([]byte, 3); ; time.Sleep(time.Millisecond) {
		var n int
		var got error
		err := raw.Read(func(fd uintptr) bool {
			n, _, got = syscall.Recvfrom(int(fd), b, syscall.MSG_PEEK)
			return got != syscall.EAGAIN && got != syscall.EINTR
		})
		if err != nil || got != nil || n == 0 {
			return ""
		}
		if n == len(b) {
			return string(b)
		}
	}
}
