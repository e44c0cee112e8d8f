package app

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"offsetbridge/internal/core"
)

// instanceFile lies beside the journal and names this installation at the machines.
// A copy of the folder takes the name along: of two such programs the one that
// started last writes, the other finds a foreign mark.
const instanceFile = "instance"

// instance returns the name of the installation whose journal lies in a folder, and
// makes one where there is none.
func instance(dir string) (string, error) {
	path := filepath.Join(dir, instanceFile)
	b, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		id := make([]byte, 8)
		rand.Read(id) //nolint:errcheck // never fails (crypto/rand)
		b = []byte(hex.EncodeToString(id) + "\n")
		err = errors.Join(os.WriteFile(path+".new", b, 0o640), os.Rename(path+".new", path))
	}
	if err != nil {
		return "", fmt.Errorf("the name of this installation: %w", err)
	}
	name := strings.TrimSpace(string(b))
	if id, err := hex.DecodeString(name); err != nil || len(id) != 8 {
		return "", fmt.Errorf("%s holds no name of an installation but %.40q, remove the file: the next start makes a new one", path, name)
	}
	return "offsetbridge " + name, nil
}

// writes reports whether a loop of the machine may write; a machine that is only
// watched is claimed by nobody.
func writes(s *core.Settings) bool {
	for i := range s.Loops {
		if s.Loops[i].Mode != core.Observe {
			return true
		}
	}
	return false
}
