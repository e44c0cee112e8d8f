package journal

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
)

// escapeGlob protects a folder name that itself looks like a pattern.
func escapeGlob(dir string) string {
	return strings.NewReplacer(`\`, `\\`, "*", `\*`, "?", `\?`, "[", `\[`).Replace(dir)
}

// ensureCatalog makes sure that catalog.db is there: a new journal gets one, and
// one that lost it gets it anew from the segments. The snapshots are lost
// with it, and the memory of what retention removed.
func (j *Journal) ensureCatalog(files []string) error {
	found, err := filepath.Glob(filepath.Join(escapeGlob(j.dir), catalogName))
	if err != nil || len(found) > 0 {
		return err
	}
	if j.o.ReadOnly {
		return &Damage{File: catalogName, What: "the file is missing; this is no journal, or it was damaged"}
	}
	if len(files) == 0 {
		return j.create()
	}
	id, rows, spans, err := survey(files)
	if err != nil {
		return err
	}
	if n, err := countRecords(files[0]); err != nil || n > 0 || len(files) > 1 {
		j.damaged(&Damage{File: catalogName, What: "the file was missing and was made anew from the segments; snapshots are lost"})
	}
	return createCatalog(j.dir, id, rows, spans)
}

// create makes a new journal: the first segment, then the catalog.
func (j *Journal) create() error {
	id := newID()
	if err := createSegment(j.dir, 1, id, nil, checkpoint{}, 1, j.o.Now()); err != nil {
		return err
	}
	return createCatalog(j.dir, id, []segmentRow{{number: 1, state: "open"}}, nil)
}

// survey reads from the segments what the catalog must hold.
func survey(files []string) (id []byte, rows []segmentRow, spans map[int64]map[string]span, err error) {
	spans = map[int64]map[string]span{}
	for i, f := range files {
		var n int64
		if _, err := fmt.Sscanf(filepath.Base(f), "segment-%d.db", &n); err != nil {
			return nil, nil, nil, &Damage{File: filepath.Base(f), What: "the name is not a segment's", Err: err}
		}
		if err := gate(f, true); err != nil {
			return nil, nil, nil, err
		}
		row := segmentRow{number: n, state: "sealed"}
		if i == len(files)-1 {
			row.state = "open"
		}
		rows = append(rows, row)
		own, runs, err := surveyOne(f)
		if err != nil {
			return nil, nil, nil, &Damage{File: filepath.Base(f), What: "the segment cannot be read", Err: err}
		}
		if id == nil {
			id = own
		}
		if row.state == "sealed" {
			spans[n] = runs
		}
	}
	return id, rows, spans, nil
}

func surveyOne(path string) (id []byte, runs map[string]span, err error) {
	db, err := openFile(path, live)
	if err != nil {
		return nil, nil, err
	}
	defer db.Close()
	if err := db.QueryRow("SELECT value FROM meta WHERE key = 'journal'").Scan(&id); err != nil {
		return nil, nil, err
	}
	_, opening, heads, err := loadStreams(context.Background(), db)
	return id, spansBetween(opening, heads), err
}
