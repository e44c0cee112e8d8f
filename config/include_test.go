package config

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// spread writes the demonstration as a main file and one for each machine, and
// returns the main file.
func spread(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	if err := os.Mkdir(filepath.Join(dir, "machines"), 0o700); err != nil {
		t.Fatal(err)
	}
	text := string(Demo)
	at := strings.Index(text, "[[machine]]")
	var each []string
	for _, part := range strings.Split(text[at:], "[[machine]]")[1:] {
		each = append(each, "[[machine]]"+part)
	}
	// The loops stand after the last machine: each goes to its own.
	last := each[len(each)-1]
	loops := strings.Index(last, "[[loop]]")
	each[len(each)-1] = last[:loops]
	for _, loop := range strings.Split(last[loops:], "[[loop]]")[1:] {
		for i := range each {
			name := strings.Split(each[i], `"`)[1]
			if strings.Contains(loop, `machine   = "`+name+`"`) || strings.Contains(strings.ReplaceAll(loop, " ", ""), `machine="`+name+`"`) {
				each[i] += "[[loop]]" + loop
			}
		}
	}
	for _, text := range each {
		name := strings.Split(text, `"`)[1]
		put(t, filepath.Join(dir, "machines", name+".toml"), text)
	}
	put(t, filepath.Join(dir, "machines", ".swap.toml"), "what an editor keeps")
	main := filepath.Join(dir, "cell.toml")
	put(t, main, strings.Replace(text[:at], "version = 1", "version = 1\ninclude = [\"machines/*.toml\"]", 1))
	return main
}

func put(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// A plant in one file for each machine is the plant in one file.
func TestOneFileForEachMachine(t *testing.T) {
	main := spread(t)
	got, err := Load(main)
	if err != nil {
		t.Fatal(err)
	}
	whole := filepath.Join(filepath.Dir(main), "whole.toml")
	put(t, whole, string(Demo))
	want, err := Load(whole)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range want.Machines {
		if d := cmp.Diff(want.Settings(m.Name), got.Settings(m.Name)); d != "" {
			t.Errorf("%s (-whole +spread):\n%s", m.Name, d)
		}
	}
	if len(got.Machines) != len(want.Machines) || len(got.Loops) != len(want.Loops) {
		t.Errorf("%d machines and %d loops, want %d and %d", len(got.Machines), len(got.Loops), len(want.Machines), len(want.Loops))
	}
	if d := cmp.Diff(want.Journal, got.Journal, cmpopts.EquateEmpty()); d != "" {
		t.Errorf("relative paths of the main file:\n%s", d)
	}
	files, err := ReadFiles(main)
	if err != nil || len(files) != 3 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	before := Digest(files)
	files[2].Data[0] ^= 1
	if Digest(files) == before {
		t.Error("a change of an included file does not show in the digest")
	}
}

// Each problem is told with the file and the line in which it stands.
func TestProblemsOfIncludedFilesNameTheirFile(t *testing.T) {
	for name, x := range map[string]struct{ more, want string }{
		"an unknown key":             {"[[machine]]\nname = \"m3\"\nserial = \"3\"\nby_hand = true\nspindle = 1\n", "third.toml:5: machine[\"m3\"].spindle = 1: is not a key here"},
		"half a file":                {"[[machine]]\nname = \"m3\"\nserial = \"3", "third.toml:3: machine.serial: is not valid TOML"},
		"what belongs into the main": {"[journal]\ndirectory = \"x\"\n", "third.toml:1: journal: does not belong into an included file, write it into cell.toml"},
		"a single table":             {"[machine]\nname = \"m3\"\n", "third.toml:1: machine: is not a list of tables, write a section [[machine]] for each"},
		"two owners of a register": {"[[loop]]\nname = \"other\"\nmachine = \"mill-1\"\nmode = \"observe\"\nregisters = [\"T12-diameter\"]\n[[loop.characteristic]]\nname = \"other\"\nlimits = \"28 H8\"\noperation = \"milled bore\"\ngauges = [\"bore-1\"]\n",
			"third.toml:5: loop[\"other\"].registers"},
		"a name that is taken": {"[[machine]]\nname = \"mill-1\"\nserial = \"3\"\nby_hand = true\n", "third.toml:2: machine[\"mill-1\"].name"},
		"lists in lists":       {"machine = " + strings.Repeat("[", 100) + strings.Repeat("]", 100), "third.toml: lists nest 100 deep"},
	} {
		t.Run(name, func(t *testing.T) {
			main := spread(t)
			put(t, filepath.Join(filepath.Dir(main), "machines", "third.toml"), x.more)
			c, err := Load(main)
			var p Problems
			if c != nil || !errors.As(err, &p) || !strings.Contains(err.Error(), x.want) {
				t.Errorf("got %v\nwant %s", err, x.want)
			}
			for _, one := range p {
				tidy(t, one)
			}
		})
	}
}

func TestIncludeNamesFilesThatAreThere(t *testing.T) {
	main := spread(t)
	text := string(read(t, main))
	for with, want := range map[string]string{
		`include = ["tools/*.toml"]`:      `include = "tools/*.toml" names no file`,
		`include = ["[.toml"]`:            `include = "[.toml" names no file`,
		`include = "machines/*.toml"`:     "include",
		`include = ["machines/", "x"]`:    "names no file",
		`include = ["*.toml", "m*/*.t*"]`: "",
	} {
		put(t, main, strings.Replace(text, `include = ["machines/*.toml"]`, with, 1))
		if _, err := Load(main); (err == nil) != (want == "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", with, err)
		}
	}
}

// Who wants to stop what runs is not kept from it by a file that is being edited.
func TestTheSocketIsKnownFromAFileThatIsNotInOrder(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "cell.toml")
	for text, want := range map[string]string{
		"version = 1\n[journal]\ndirectory = \"j\"\nkeep = 5\n[loops]\n":                                   filepath.Join(dir, "j", "offsetbridge.sock"),
		"version = 9\n[socket]\npath = \"/run/x.sock\"\n":                                                  "/run/x.sock",
		"version = 1\ninclude = [\"nowhere/*.toml\"]\n[journal]\ndirectory = \"/j\"\n[[machine]]\nx = 1\n": "/j/offsetbridge.sock",
		"version = 1\n": "",
		"version = 1\n[journal]\ndirectory = \"j": "",
	} {
		put(t, path, text)
		got, err := SocketPath(path)
		if got != want || (err == nil) != (want != "") {
			t.Errorf("%q: %q, %v", text, got, err)
		}
	}
	if _, err := SocketPath(filepath.Join(dir, "none")); err == nil {
		t.Error("a file that is not there")
	}
}
