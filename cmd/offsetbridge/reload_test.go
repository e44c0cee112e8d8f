package main

import (
	"context"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"offsetbridge/config"
	"offsetbridge/testdata/peers/shop"
)

// What comes by SIGHUP while a daemon runs, and what is believed of it.
func TestAFileIsBelievedOnceItStandsStill(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "cell.toml")
	write := func(b []byte) {
		t.Helper()
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	old, err := config.Parse(path, config.Demo)
	if err != nil {
		t.Fatal(err)
	}
	write(config.Demo)
	if c, digest, err := reread(path, old); err != nil || len(c.Loops) != len(old.Loops) || digest != config.Digest([]config.File{{Name: path, Data: config.Demo}}) {
		t.Errorf("the same again: %v", err)
	}
	var writing sync.WaitGroup
	stop := make(chan struct{})
	writing.Go(func() {
		for n := range config.Demo {
			select {
			case <-stop:
				return
			case <-time.After(20 * time.Millisecond):
			}
			os.WriteFile(path, config.Demo[:n], 0o600) //nolint:errcheck // written again at once
		}
	})
	time.Sleep(50 * time.Millisecond)
	if _, _, err := reread(path, old); err == nil || !strings.Contains(err.Error(), "is being written") {
		t.Errorf("while it is written: %v", err)
	}
	close(stop)
	writing.Wait()
	// A writer that stopped at any line leaves no file behind that takes something away.
	text := string(config.Demo)
	for at := 0; at < len(text); at += max(1, len(text)/60) {
		end := at + strings.IndexByte(text[at:], '\n') + 1
		c, err := config.Parse(path, []byte(text[:end]))
		if err != nil {
			continue
		}
		running := map[string][]string{}
		for _, l := range old.Loops {
			running[l.Machine] = append(running[l.Machine], l.Name)
		}
		if len(c.Loops) < len(old.Loops) && missing(running, c) == nil {
			t.Errorf("%d of %d bytes are taken for the whole file", end, len(text))
		}
	}
	write([]byte(strings.Replace(text, "directory", "directory = \"x\" #", 1)))
	if _, _, err := reread(path, old); err == nil {
		t.Error("another journal is taken by a reload")
	}
}

// The service manager hears when the daemon is ready, ready anew, and stops.
func TestTheServiceManagerHearsOfAReload(t *testing.T) {
	dir, err := os.MkdirTemp("", "notify")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) }) //nolint:errcheck // of the test
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: filepath.Join(dir, "n"), Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()                   //nolint:errcheck // of the test
	s := shop.Open(t, shop.Options{}) // before: its broker would speak to a service manager as well
	t.Setenv("NOTIFY_SOCKET", filepath.Join(dir, "n"))
	var mu sync.Mutex
	var told []string
	go func() {
		b := make([]byte, 4096)
		for {
			n, err := c.Read(b)
			if err != nil {
				return
			}
			mu.Lock()
			told = append(told, strings.Split(string(b[:n]), "\n")[0])
			mu.Unlock()
		}
	}()
	hears := func(want ...string) {
		t.Helper()
		shop.Wait(t, strings.Join(want, ", "), func() bool {
			mu.Lock()
			defer mu.Unlock()
			return slices.Equal(told, want)
		})
	}
	seen, logs := observer.New(zapcore.InfoLevel)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	ended := make(chan error, 1)
	go func() { ended <- daemon(ctx, s.Config(t), zap.New(seen)) }()
	hears("READY=1")
	if err := syscall.Kill(os.Getpid(), syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	hears("READY=1", "RELOADING=1", "READY=1")
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	hears("READY=1", "RELOADING=1", "READY=1", "STOPPING=1")
	if n := logs.FilterMessageSnippet("another configuration is taken").Len(); n != 1 {
		t.Errorf("it was said %d times that another configuration is taken", n)
	}
}
