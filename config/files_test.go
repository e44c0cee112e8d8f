package config

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func write(t *testing.T, name, text string, mode os.FileMode) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), mode); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(path, mode); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestPassword(t *testing.T) {
	t.Setenv("OB_TEST_PASSWORD", "from the environment")
	t.Setenv("OB_TEST_EMPTY", "")
	for _, c := range []struct {
		name string
		l    Login
		want string
	}{
		{"nobody", Login{}, ""},
		{"first line of a file", Login{User: "u", PasswordFile: write(t, "p", "secret word\r\nnote\n", 0o600)}, "secret word"},
		{"file without line end", Login{User: "u", PasswordFile: write(t, "p", " kept as it is ", 0o600)}, " kept as it is "},
		{"environment", Login{User: "u", PasswordEnv: "OB_TEST_PASSWORD"}, "from the environment"},
	} {
		if got, err := c.l.Password(); err != nil || got != c.want {
			t.Errorf("%s: Password() = %q, %v, want %q", c.name, got, err, c.want)
		}
	}
	for _, c := range []struct {
		name, say string
		l         Login
	}{
		{"no file", "cannot be read", Login{User: "u", PasswordFile: filepath.Join(t.TempDir(), "none")}},
		{"empty file", "empty line", Login{User: "u", PasswordFile: write(t, "p", "\nsecond", 0o600)}},
		{"huge file", "longer than", Login{User: "u", PasswordFile: write(t, "p", strings.Repeat("x", 10_000), 0o600)}},
		{"empty variable", "is empty", Login{User: "u", PasswordEnv: "OB_TEST_EMPTY"}},
	} {
		got, err := c.l.Password()
		if !errors.Is(err, ErrSecret) || !strings.Contains(err.Error(), c.say) || got != "" {
			t.Errorf("%s: Password() = %q, %v, want ErrSecret and %q", c.name, got, err, c.say)
		}
		if err != nil && strings.Contains(err.Error(), "xxxx") {
			t.Errorf("%s: the error gives the password away", c.name)
		}
	}
}

// CheckFiles finds every file that is missing, open to others or no file.
func TestCheckFiles(t *testing.T) {
	fine, open := write(t, "fine", "x", 0o600), write(t, "open", "x", 0o640)
	c := &Config{name: "cell.toml"}
	c.MQTT = MQTT{Login: Login{User: "u", PasswordFile: fine}, CAFile: open, CertFile: open, KeyFile: fine}
	c.Machines = []Machine{{Name: "m", Security: Security{CertFile: fine, KeyFile: fine}}}
	if err := c.CheckFiles(); err != nil {
		t.Fatalf("refuses files that are in order: %v", err)
	}
	fresh := t.TempDir()
	c.Machines[0].Security = Security{CertFile: filepath.Join(fresh, "own.pem"), KeyFile: filepath.Join(fresh, "own-key.pem")}
	if err := c.CheckFiles(); err != nil {
		t.Fatalf("refuses a certificate and key that are made at first use: %v", err)
	}
	c.Machines[0].Security = Security{CertFile: filepath.Join(fresh, "own.pem"), KeyFile: fine}
	if err := c.CheckFiles(); err == nil || !strings.Contains(err.Error(), "own.pem") {
		t.Errorf("a key whose certificate is gone: %v", err)
	}
	c.Machines[0].Security = Security{CertFile: filepath.Join(fresh, "none", "own.pem"), KeyFile: filepath.Join(fresh, "own-key.pem")}
	if err := c.CheckFiles(); err == nil || !strings.Contains(err.Error(), "folder does not exist") {
		t.Errorf("a certificate to be made where there is no folder: %v", err)
	}
	c.MQTT.Login.PasswordFile, c.MQTT.CAFile, c.MQTT.KeyFile = open, filepath.Join(t.TempDir(), "none"), open
	c.Machines[0].Security = Security{CertFile: t.TempDir(), KeyFile: open, Login: Login{User: "u", PasswordEnv: "OB_TEST_NOT_SET"}}
	err := c.CheckFiles()
	var p Problems
	if !errors.As(err, &p) {
		t.Fatalf("CheckFiles = %v, want problems", err)
	}
	for i, want := range []struct{ key, say string }{
		{"mqtt.password_file", "chmod 600"},
		{"mqtt.ca_file", "does not exist"},
		{"mqtt.key_file", "chmod 600"},
		{`machine["m"].password_env`, "not set"},
		{`machine["m"].cert_file`, "not a file"},
		{`machine["m"].key_file`, "chmod 600"},
	} {
		if i >= len(p) || p[i].Key != want.key || !strings.Contains(p[i].Say, want.say) {
			t.Fatalf("problem %d: want %s … %s, have\n%v", i, want.key, want.say, err)
		}
		tidy(t, p[i])
	}
	if len(p) != 6 {
		t.Errorf("%d problems, want 6:\n%v", len(p), err)
	}
}

func TestLoad(t *testing.T) {
	path := write(t, "cell.toml", string(Cell), 0o600)
	c, err := Load(path)
	if err != nil || c.Machine("mill-1") == nil {
		t.Fatalf("Load = %v, %v", c, err)
	}
	if _, err := Load(filepath.Join(t.TempDir(), "none.toml")); err == nil || errors.As(err, new(Problems)) {
		t.Errorf("Load of a missing file = %v, want an error that is no list of problems", err)
	}
	_, err = Load(write(t, "bad.toml", "version = 3\n", 0o600))
	if !errors.As(err, new(Problems)) || !strings.Contains(err.Error(), "bad.toml:1: version = 3: ") {
		t.Errorf("Load of a bad file = %v, want problems with file and line", err)
	}
}
