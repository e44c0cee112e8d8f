package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strings"

	"offsetbridge/config"
)

// usualPorts are those that the bundled configuration names.
var usualPorts = []string{"1883", "4841", "4842", "8080"}

// writeCell leaves the cell of the demonstration in a folder, to be edited and run
// against simulators: its configuration and what to start. Nothing that is there
// is overwritten. Ports that are taken, or all with free, are replaced by free ones.
func writeCell(out io.Writer, dir string, free bool) error {
	text, err := cellText(free)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return fmt.Errorf("folder %q cannot be made: %w", dir, err)
	}
	path := filepath.Join(dir, "cell.toml")
	if _, err := config.Parse(path, []byte(text)); err != nil {
		return fmt.Errorf("the cell cannot be written: %w", err)
	}
	guide := guideOf(path)
	for name, content := range map[string]string{"cell.toml": text, "start.txt": guide} {
		if err := writeNew(filepath.Join(dir, name), content); err != nil {
			return err
		}
	}
	_, err = fmt.Fprint(out, guide)
	return err
}

// cellText is the bundled configuration, observing, with ports that are free.
func cellText(free bool) (string, error) {
	text := strings.NewReplacer(
		`mode      = "auto"`, `mode      = "observe" # then "confirm", then "auto"`,
		`directory = "demo-data"`, `directory = "journal"`,
	).Replace(string(config.Demo))
	var held []net.Listener
	defer func() {
		for _, l := range held {
			l.Close() //nolint:errcheck // only held a port
		}
	}()
	for _, port := range usualPorts {
		l, err := net.Listen("tcp", "127.0.0.1:"+port)
		if err != nil || free {
			if err == nil {
				l.Close() //nolint:errcheck // the usual one is not wanted
			}
			if l, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
				return "", fmt.Errorf("no port of this computer is free: %w", err)
			}
		}
		held = append(held, l)
		text = strings.ReplaceAll(text, "127.0.0.1:"+port+`"`, l.Addr().String()+`"`)
	}
	return text, nil
}

// guideOf says what to start, each line in a terminal of its own.
func guideOf(path string) string {
	return fmt.Sprintf(`A cell to edit and to rehearse with is in %[1]s. Start each line in a terminal of its own:

offsetbridge simulate broker -c %[1]s
offsetbridge simulate machine mill-1 -c %[1]s
offsetbridge simulate machine lathe-2 -c %[1]s
offsetbridge simulate gauge thread-1 -c %[1]s
offsetbridge simulate gauge bore-1 -c %[1]s
offsetbridge simulate gauge snap-2 -c %[1]s
offsetbridge check -c %[1]s --dial
offsetbridge run -c %[1]s

Each simulator takes commands, "help" lists them. Its loops observe: they compute and
record, and write nothing. The people and PINs are those of the demonstration.
Sizes steer the process; they accept no part. This is no safety function.
`, path)
}

func writeNew(path, content string) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("%q is there already and is not overwritten, name another folder", path)
	}
	if err != nil {
		return fmt.Errorf("%q cannot be written: %w", path, err)
	}
	_, err = f.WriteString(content)
	return errors.Join(err, f.Close())
}
