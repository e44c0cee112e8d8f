package config

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
)

// Login is a user and where the password is. Without a user there is none.
type Login struct {
	User         string
	PasswordFile string // one of the two
	PasswordEnv  string
}

// ErrSecret is wrapped by the errors for a password that cannot be had.
var ErrSecret = errors.New("password not available")

// maxSecret bounds a password, in bytes.
const maxSecret = 1024

// Password reads the password: the first line of the file, or the environment
// variable. It is "" without a user, and neither empty nor logged otherwise.
func (l Login) Password() (string, error) {
	var s string
	switch {
	case l.User == "":
		return "", nil
	case l.PasswordEnv != "":
		s = os.Getenv(l.PasswordEnv)
		if s == "" {
			return "", fmt.Errorf("%w: environment variable %q is empty, set it for the daemon", ErrSecret, l.PasswordEnv)
		}
	default:
		b, err := readSome(l.PasswordFile, maxSecret+2)
		if err != nil {
			return "", fmt.Errorf("%w: file %q cannot be read, let the daemon's user read it: %w", ErrSecret, l.PasswordFile, err)
		}
		s, _, _ = strings.Cut(string(b), "\n")
		s = strings.TrimSuffix(s, "\r")
		if s == "" {
			return "", fmt.Errorf("%w: file %q begins with an empty line, write the password on the first line", ErrSecret, l.PasswordFile)
		}
	}
	if len(s) > maxSecret {
		return "", fmt.Errorf("%w: the password of %q is longer than %d bytes, choose a shorter one", ErrSecret, l.User, maxSecret)
	}
	return s, nil
}

func readSome(path string, n int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close() //nolint:errcheck // only read from
	return io.ReadAll(io.LimitReader(f, n))
}

// login reads user, password_file and password_env.
func (t *table) login(dir string) Login {
	var l Login
	l.User, _ = t.text("user")
	l.PasswordFile = t.file("password_file", dir)
	l.PasswordEnv, _ = t.text("password_env")
	file, env := t.has("password_file"), t.has("password_env")
	switch {
	case file && env:
		t.problem("password_env", "is given besides password_file, keep one of them")
	case t.has("user") && !file && !env:
		t.problem("user", "has no password, write password_file = \"path\" or password_env = \"NAME\"")
	case !t.has("user") && file:
		t.problem("password_file", "has no user, write user as well")
	case !t.has("user") && env:
		t.problem("password_env", "has no user, write user as well")
	}
	return l
}

// file reads a path; a relative one is relative to the folder of the file.
func (t *table) file(name, dir string) string {
	s, ok := t.text(name)
	if !ok {
		return ""
	}
	return rooted(dir, s)
}

// pair reports when only one of two keys that need each other is there.
func (t *table) pair(a, b string) {
	switch {
	case t.has(a) && !t.has(b):
		t.problem(a, "needs %s beside it, write both or neither", b)
	case t.has(b) && !t.has(a):
		t.problem(b, "needs %s beside it, write both or neither", a)
	}
}

// CheckFiles looks at the files and environment variables that the
// configuration names, as the user who is running: passwords and private keys
// must be readable by that user and by nobody else. It is apart from Parse
// because a configuration may be checked on another computer. The error is
// Problems.
func (c *Config) CheckFiles() error {
	var p Problems
	add := func(key, value, format string, args ...any) {
		p = append(p, Problem{Key: key, Value: value, File: c.name, Say: fmt.Sprintf(format, args...)})
	}
	login := func(key string, l Login) {
		if l.PasswordFile != "" {
			checkFile(key+".password_file", l.PasswordFile, true, add)
		}
		if l.PasswordEnv != "" && os.Getenv(l.PasswordEnv) == "" {
			add(key+".password_env", fmt.Sprintf("%q", clip(l.PasswordEnv)), "is not set or empty, set it for the daemon")
		}
	}
	login("mqtt", c.MQTT.Login)
	checkFile("mqtt.ca_file", c.MQTT.CAFile, false, add)
	checkFile("mqtt.cert_file", c.MQTT.CertFile, false, add)
	checkFile("mqtt.key_file", c.MQTT.KeyFile, true, add)
	checkFile("page.cert_file", c.Page.CertFile, false, add)
	checkFile("page.key_file", c.Page.KeyFile, true, add)
	for i := range c.Machines {
		key, s := fmt.Sprintf("machine[%q]", c.Machines[i].Name), c.Machines[i].Security
		login(key, s.Login)
		if s.toBeMade() {
			checkFolder(key+".cert_file", s.CertFile, add)
			checkFolder(key+".key_file", s.KeyFile, add)
			continue
		}
		checkFile(key+".cert_file", s.CertFile, false, add)
		checkFile(key+".key_file", s.KeyFile, true, add)
	}
	return p.err()
}

// toBeMade reports that neither certificate nor key is there: the daemon makes
// both when it first needs them.
func (s *Security) toBeMade() bool {
	absent := func(path string) bool {
		_, err := os.Lstat(path)
		return errors.Is(err, fs.ErrNotExist)
	}
	return s.CertFile != "" && absent(s.CertFile) && absent(s.KeyFile)
}

// checkFolder looks whether a file that does not exist yet has a folder to be in.
func checkFolder(key, path string, add func(key, value, format string, args ...any)) {
	if info, err := os.Stat(filepath.Dir(path)); err != nil || !info.IsDir() {
		add(key, fmt.Sprintf("%q", clip(path)), "is not there and cannot be made, its folder does not exist: create the folder or correct the path")
	}
}

// checkFile looks at one file; "" is none. A private one may be open to its
// owner only.
func checkFile(key, path string, private bool, add func(key, value, format string, args ...any)) {
	if path == "" {
		return
	}
	value := fmt.Sprintf("%q", clip(path))
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		add(key, value, "does not exist, create it or correct the path")
		return
	case err != nil:
		add(key, value, "cannot be looked at, let the daemon's user reach it (%v)", errors.Unwrap(err))
		return
	case !info.Mode().IsRegular():
		add(key, value, "is not a file, name one")
		return
	case private && runtime.GOOS != "windows" && info.Mode().Perm()&0o077 != 0: // which has no such modes
		add(key, value, "can be read by others (mode %04o), run chmod 600 on it", info.Mode().Perm())
	}
	f, err := os.Open(path)
	if err != nil {
		add(key, value, "cannot be read, let the daemon's user read it")
		return
	}
	f.Close() //nolint:errcheck,gosec // only opened
}
