package machine

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"net"
	"syscall"
)

// holdOnHost takes a name that only one process of this computer can have, until it
// is closed or the process ends. It is a datagram socket in the abstract namespace
// (unix(7)): no file is left behind, and no rights are needed.
func holdOnHost(key string) (net.Conn, error) {
	sum := sha256.Sum256([]byte(key))
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: "@offsetbridge-machine-" + hex.EncodeToString(sum[:12]), Net: "unixgram"})
	if errors.Is(err, syscall.EADDRINUSE) {
		return nil, held(key)
	}
	if err != nil {
		return nil, err
	}
	return c, nil
}
