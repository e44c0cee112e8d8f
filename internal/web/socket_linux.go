package web

import (
	"net"
	"os"

	"golang.org/x/sys/unix"
)

// listenPrivate opens a local socket that nobody else can open, from its first
// moment on.
func listenPrivate(path string) (net.Listener, error) {
	old := unix.Umask(0o177)
	defer unix.Umask(old)
	return net.Listen("unix", path)
}

// ourselves asks the system whether the user at the other end is the one who runs
// this process.
func ourselves(c net.Conn) bool {
	u, ok := c.(*net.UnixConn)
	if !ok {
		return false
	}
	raw, err := u.SyscallConn()
	if err != nil {
		return false
	}
	same := false
	raw.Control(func(fd uintptr) { //nolint:errcheck // the answer stays no
		cred, err := unix.GetsockoptUcred(int(fd), unix.SOL_SOCKET, unix.SO_PEERCRED)
		same = err == nil && int(cred.Uid) == os.Getuid()
	})
	return same
}
