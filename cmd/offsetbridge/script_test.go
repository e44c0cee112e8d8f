package main

import (
	"errors"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"offsetbridge/config"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"offsetbridge": main})
}

// TestScripts runs the readable specifications of the commands and the daemon.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata",
		Setup: func(e *testscript.Env) error { // the shipped example
			return errors.Join(
				os.WriteFile(filepath.Join(e.WorkDir, "cell.toml"), config.Cell, 0o600),
				os.WriteFile(filepath.Join(e.WorkDir, "demo.toml"), config.Demo, 0o600),
			)
		},
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Cmds:                map[string]func(*testscript.TestScript, bool, []string){"until": until, "ports": ports},
	})
}

// until repeats a command until its output matches: until PATTERN COMMAND….
// With ! it repeats until the output does not match.
func until(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) < 2 {
		ts.Fatalf("usage: until PATTERN COMMAND…")
	}
	pattern := regexp.MustCompile(args[0])
	deadline := time.Now().Add(40 * time.Second)
	for {
		cmd := exec.Command(args[1], args[2:]...)
		cmd.Dir = ts.Getenv("WORK")
		cmd.Env = append(os.Environ(), "HOME="+ts.Getenv("HOME"))
		out, _ := cmd.CombinedOutput()
		if pattern.Match(out) != neg {
			return
		}
		if time.Now().After(deadline) {
			ts.Fatalf("%v still says:\n%s", args[1:], out)
		}
		time.Sleep(50 * time.Millisecond)
	}
}

// ports sets variables to ports that nobody listens on: ports NAME….
func ports(ts *testscript.TestScript, neg bool, args []string) {
	if neg {
		ts.Fatalf("usage: ports NAME…")
	}
	for _, name := range args {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		ts.Check(err)
		defer l.Close() // all at once, so that no port is given twice
		ts.Setenv(name, strconv.Itoa(l.Addr().(*net.TCPAddr).Port))
	}
}
