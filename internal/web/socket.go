package web

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"time"

	"offsetbridge/internal/core"
)

// Socket is the local door: a file that only the same user can open.
type Socket struct {
	path   string
	listen net.Listener
	http   *http.Server
}

type credKey struct{}

// ListenSocket serves handler on a local socket at path. A socket file that
// nobody answers on is replaced; one that somebody answers on is refused.
func ListenSocket(path string, handler http.Handler) (*Socket, error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return nil, fmt.Errorf("folder of socket %q cannot be made: %w", path, err)
	}
	if c, err := net.DialTimeout("unix", path, time.Second); err == nil {
		c.Close() //nolint:errcheck // only a probe
		return nil, fmt.Errorf("socket %q is in use by another process, stop that one or choose another socket.path", path)
	}
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("old socket %q cannot be removed: %w", path, err)
	}
	l, err := listenPrivate(path)
	if err != nil {
		return nil, fmt.Errorf("socket %q cannot be opened: %w", path, err)
	}
	s := &Socket{path: path, listen: l}
	s.http = &http.Server{
		Handler:           local(handler),
		ReadHeaderTimeout: 5 * time.Second,
		IdleTimeout:       60 * time.Second,
		MaxHeaderBytes:    16 << 10,
		ConnContext: func(ctx context.Context, c net.Conn) context.Context {
			return context.WithValue(ctx, credKey{}, ourselves(c))
		},
	}
	go s.http.Serve(l) //nolint:errcheck // ends with Close
	return s, nil
}

// Close stops listening and ends open requests.
func (s *Socket) Close() {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	if s.http.Shutdown(ctx) != nil {
		s.http.Close() //nolint:errcheck // nothing left to do
	}
	os.Remove(s.path) //nolint:errcheck // gone already
}

// local lets only the user in whom this process runs as. Whoever may stop the
// process and read its journal has an engineer's rights here.
func local(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if we, _ := r.Context().Value(credKey{}).(bool); !we {
			refuse(w, http.StatusForbidden, "user", "only the user who runs the program may use its local socket")
			return
		}
		name := strconv.Itoa(os.Getuid())
		if u, err := user.Current(); err == nil {
			name = u.Username
		}
		p := core.Person{Principal: name, Role: core.Engineer, Auth: core.AuthSocket}
		next.ServeHTTP(w, r.WithContext(WithPerson(r.Context(), p)))
	})
}
