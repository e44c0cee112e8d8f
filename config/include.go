package config

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/BurntSushi/toml"
)

// File is one file of a configuration, as it was read.
type File struct {
	Name string
	Data []byte
}

// maxFiles bounds how many files make one configuration.
const maxFiles = 2000

// included are the lists that may go on in an included file.
var included = []string{"template", "standard", "gauge", "announcement", "machine", "loop"}

// ReadFiles reads the file at path and the ones it includes, in alphabetical order.
// A file that includes nothing, or is no TOML, is read alone: ParseFiles says what is
// wrong with it.
func ReadFiles(path string) ([]File, error) {
	left := int64(maxBytes)
	first, err := readFile(path, &left)
	if err != nil {
		return nil, err
	}
	files := []File{first}
	var names struct{ Include []string }
	if _, err := toml.Decode(string(first.Data), &names); err != nil {
		return files, nil //nolint:nilerr // said with its line by ParseFiles
	}
	var all []string
	for _, pattern := range names.Include {
		found, err := filepath.Glob(rooted(filepath.Dir(path), pattern))
		if err != nil || len(found) == 0 {
			return nil, fmt.Errorf("%s: include = %q names no file, write a path or a pattern as in %q", path, clip(pattern), "machines/*.toml")
		}
		for _, name := range found {
			if !strings.HasPrefix(filepath.Base(name), ".") && filepath.Clean(name) != filepath.Clean(path) {
				all = append(all, name)
			}
		}
	}
	slices.Sort(all)
	all = slices.Compact(all)
	if len(all) >= maxFiles {
		return nil, fmt.Errorf("%s includes %d files, include at most %d", path, len(all), maxFiles-1)
	}
	for _, name := range all {
		f, err := readFile(name, &left)
		if err != nil {
			return nil, err
		}
		files = append(files, f)
	}
	return files, nil
}

// readFile reads one file as long as the whole stays within left bytes; one more is
// kept, so that ParseFiles refuses it.
func readFile(name string, left *int64) (File, error) {
	f, err := os.Open(name)
	if err != nil {
		return File{}, fmt.Errorf("configuration %q cannot be opened, name a readable file: %w", name, err)
	}
	defer f.Close() //nolint:errcheck // only read from
	data, err := io.ReadAll(io.LimitReader(f, *left+1))
	if err != nil {
		return File{}, fmt.Errorf("configuration %q cannot be read, name a readable file: %w", name, err)
	}
	*left = max(0, *left-int64(len(data)))
	return File{name, data}, nil
}

// SocketPath returns where the daemon under the configuration at path is asked, also
// where the rest of it is not in order: a person has to be able to stop what runs
// while somebody edits the file. The error is Problems when the file names no place.
func SocketPath(path string) (string, error) {
	left := int64(maxBytes)
	f, err := readFile(path, &left)
	if err != nil {
		return "", err
	}
	c, r := parse(f.Name, f.Data)
	if c == nil || c.Journal.Directory == "" && c.Socket.Path == defaultSocket {
		return "", r.problems.sorted(r.file).err()
	}
	return c.Socket.Path, nil
}

// defaultSocket lies in the folder of the journal.
const defaultSocket = "offsetbridge.sock"

// Digest names the bytes of a configuration, in 16 characters.
func Digest(files []File) string {
	h := sha256.New()
	for i, f := range files {
		if i > 0 {
			fmt.Fprintf(h, "\x00%s\x00%d\x00", filepath.Base(f.Name), len(f.Data)) //nolint:errcheck // a hash takes all
		}
		h.Write(f.Data)
	}
	return hex.EncodeToString(h.Sum(nil)[:8])
}

// ParseFiles checks a configuration that was read from several files, the main one
// first. The error is always Problems.
func ParseFiles(files []File) (*Config, error) {
	c, r := parse(files[0].Name, files[0].Data, files[1:]...)
	if err := r.problems.sorted(r.file).err(); err != nil {
		return nil, err
	}
	c.Warnings, c.Notes = r.warnings.sorted(r.file), r.notes.sorted(r.file)
	return c, nil
}

// include adds the tables of another file to those of the main one.
func (r *reader) include(root map[string]any, f File) {
	say := func(key string, line int, format string, args ...any) {
		r.add(&r.problems, Problem{File: f.Name, Line: line, Key: key, Say: fmt.Sprintf(format, args...)})
	}
	text := string(f.Data)
	lines := indexLines(text)
	if lines.depth > deepest {
		say("", 0, "lists nest %d deep, write at most %d", lines.depth, deepest)
		return
	}
	m := map[string]any{}
	if _, err := toml.Decode(text, &m); err != nil {
		p := syntax(err)
		p.File = f.Name
		r.add(&r.problems, p)
		return
	}
	for name, v := range m { // any order: each name is on its own, and problems are sorted
		list, is := v.([]map[string]any)
		before, has := root[name].([]map[string]any)
		switch {
		case !slices.Contains(included, name):
			say(name, lines.find(name), "does not belong into an included file, write it into %s", filepath.Base(r.file))
			continue
		case !is:
			say(name, lines.find(name), "is not a list of tables, write a section [[%s]] for each", name)
			continue
		case !has && root[name] != nil: // said of the main file
			continue
		}
		root[name] = append(before, list...)
		for i := range list {
			r.from[fmt.Sprintf("%s[%d]", name, len(before)+i)] = f.Name
		}
		for path, line := range lines.at {
			rest, ok := strings.CutPrefix(path, name+"[")
			number, tail, closed := strings.Cut(rest, "]")
			if n, err := strconv.Atoi(number); ok && closed && err == nil {
				r.lines.at[fmt.Sprintf("%s[%d]%s", name, len(before)+n, tail)] = line
			}
		}
	}
}

// taken is the template from which the value at a path comes, "" where it is the
// table's own.
func (r *reader) taken(path string) string {
	if _, own := r.lines.at[path]; own {
		return ""
	}
	return r.like[path[:strings.IndexByte(path, ']')+1]]
}

// fileOf is the file in which a path stands.
func (r *reader) fileOf(path string) string {
	if i := strings.IndexByte(path, ']'); i > 0 {
		if f, ok := r.from[path[:i+1]]; ok {
			return f
		}
	}
	return r.file
}
