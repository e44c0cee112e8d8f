package main

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"offsetbridge/config"
	"offsetbridge/internal/core"
	"offsetbridge/internal/web"
)

// shipped is the installation that the shipped files describe.
func shipped(t *testing.T) installation {
	t.Helper()
	c, err := config.Parse("/etc/offsetbridge/cell.toml", config.Cell)
	if err != nil {
		t.Fatal(err)
	}
	return installation{
		binary: "/usr/local/bin/offsetbridge", config: "/etc/offsetbridge/cell.toml", user: "offsetbridge",
		journal: c.Journal.Directory, socket: filepath.Dir(c.Socket.Path),
	}
}

func TestTheUnitFitsAnInstallation(t *testing.T) {
	i := shipped(t)
	unit, err := unitFor(i)
	if err != nil || unit != string(config.Unit) {
		t.Errorf("the shipped installation has another unit than the shipped one: %v\n%s", err, unit)
	}
	elsewhere := installation{binary: "/opt/ob/offsetbridge", config: "/srv/cell/cell.toml", user: "cell", journal: "/srv/cell/journal", socket: "/srv/cell/journal"}
	unit, err = unitFor(elsewhere)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"\nExecStart=/opt/ob/offsetbridge run -c /srv/cell/cell.toml\n", "\nUser=cell\nGroup=cell\n", "\nReadWritePaths=/srv/cell/journal\n", "--home-dir /srv/cell/journal --shell /usr/sbin/nologin cell\n", "\nProtectHome=yes\n"} {
		if !strings.Contains(unit, want) {
			t.Errorf("no %q in\n%s", want, unit)
		}
	}
	if strings.Contains(unit, "StateDirectory") || strings.Contains(unit, "RuntimeDirectory") {
		t.Errorf("folders of another installation:\n%s", unit)
	}
	home := elsewhere
	home.binary = "/home/anna/offsetbridge"
	if unit, _ = unitFor(home); !strings.Contains(unit, "\nProtectHome=read-only\n") {
		t.Errorf("a binary in a home cannot be started:\n%s", unit)
	}
	apart := elsewhere
	apart.socket = "/run/cell"
	if unit, _ = unitFor(apart); !strings.Contains(unit, "\nRuntimeDirectory=cell\n") {
		t.Errorf("the socket has no folder:\n%s", unit)
	}
	for _, bad := range []installation{
		{binary: "/opt/my tools/offsetbridge", config: i.config, user: i.user, journal: i.journal, socket: i.socket},
		{binary: i.binary, config: "/etc/100%.toml", user: i.user, journal: i.journal, socket: i.socket},
		{binary: i.binary, config: i.config, user: i.user, journal: "journal", socket: i.socket},
		{binary: i.binary, config: i.config, user: "a b", journal: i.journal, socket: i.socket},
	} {
		if _, err := unitFor(bad); err == nil {
			t.Errorf("%+v is taken for an installation", bad)
		}
	}
}

// systemd itself finds nothing wrong with a unit, and little that it lets the program
// do.
func TestSystemdAcceptsTheUnit(t *testing.T) {
	analyze, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Skip("systemd-analyze is not on this computer: the unit was compared as text only")
	}
	dir := t.TempDir()
	i := shipped(t)
	i.binary, err = os.Executable() // has to exist
	if err != nil {
		t.Fatal(err)
	}
	unit, err := unitFor(i)
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "offsetbridge.service")
	if err := os.WriteFile(file, []byte(unit), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(analyze, "verify", "--man=no", file).CombinedOutput()
	if err != nil || strings.Contains(string(out), "offsetbridge.service") {
		t.Errorf("systemd-analyze verify: %v\n%s", err, out)
	}
	out, err = exec.Command(analyze, "security", "--offline=true", "--threshold=20", file).CombinedOutput()
	if err != nil {
		level := regexp.MustCompile(`(?m)^.*exposure.*$`).Find(out)
		t.Errorf("the unit lets the program do more than it needs: %v %s", err, level)
	}
	bad := strings.Replace(unit, "Type=notify", "Type=notifies", 1)
	if err := os.WriteFile(file, []byte(bad), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, _ := exec.Command(analyze, "verify", "--man=no", file).CombinedOutput(); !strings.Contains(string(out), "notifies") {
		t.Errorf("systemd-analyze does not see a wrong unit:\n%s", out)
	}
}

func TestWhatIsNoIllness(t *testing.T) {
	good := web.Status{Broker: web.BrokerStatus{Up: true}, Journal: web.JournalStatus{Verified: true}, Machines: []core.View{{Machine: "mill"}}}
	if say, well := healthOf(good); !well || len(say) > 0 {
		t.Errorf("all is well: %v %q", well, say)
	}
	odd := web.Status{
		Broker: web.BrokerStatus{Text: "the broker cannot be reached, trying again"}, HoldAll: &core.Held{},
		Machines: []core.View{{Hold: &core.Held{Cause: "by-hand"}, Loops: []core.LoopView{{Hold: &core.Held{Cause: "foreign"}}}}},
	}
	if say, well := healthOf(odd); !well || strings.Join(say, "; ") != "the record is still being checked; broker: the broker cannot be reached, trying again; everything is on hold; 2 on hold" {
		t.Errorf("what needs no restart: %v %q", well, say)
	}
	odd.Machines[0].Hold.Cause = "journal"
	if say, well := healthOf(odd); well || !strings.Contains(strings.Join(say, ""), "journal is damaged") {
		t.Errorf("a damaged record: %v %q", well, say)
	}
}

// What the image runs are commands of this program, with their flags.
func TestTheImageRunsCommandsThatExist(t *testing.T) {
	b, err := os.ReadFile(filepath.Join("..", "..", "Dockerfile"))
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, found := range regexp.MustCompile(`(?m)CMD (\[.*\])$`).FindAllSubmatch(b, -1) {
		var words []string
		if err := json.Unmarshal(found[1], &words); err != nil {
			t.Fatalf("%s: %v", found[1], err)
		}
		if words[0] == "/offsetbridge" {
			words = words[1:]
		}
		c, rest, err := command().Find(words)
		if err != nil || c.Name() == "offsetbridge" || c.ParseFlags(rest) != nil {
			t.Errorf("%q is no command of this program: %v", words, err)
		}
		n++
	}
	if n != 2 {
		t.Errorf("the image runs %d commands, want run and health", n)
	}
}
