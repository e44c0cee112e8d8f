package main

import (
	"bufio"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"

	"offsetbridge/config"
	"offsetbridge/internal/journal"
)

// record is how the journal commands find the folder they look at.
type record struct {
	config, dir string
	json        bool
}

func journalCommand() *cobra.Command {
	r := &record{}
	c := &cobra.Command{
		Use: "journal", Short: "verify the record, export it, back it up",
		Long: `journal looks at the record of everything seen, decided and done. It changes
nothing and takes no lock: it may run beside the daemon, on a copy or on a backup.`,
	}
	f := c.PersistentFlags()
	f.StringVarP(&r.config, "config", "c", "cell.toml", "configuration that names the journal's folder")
	f.StringVar(&r.dir, "journal", "", "the folder itself, instead of a configuration")
	f.BoolVar(&r.json, "json", false, "print JSON")
	c.MarkPersistentFlagFilename("config", "toml") //nolint:errcheck // the flag exists
	c.AddCommand(journalVerify(r), journalExport(r), journalBackup(r))
	return c
}

func (r *record) open(ctx context.Context) (*journal.Journal, string, error) {
	dir := r.dir
	if dir == "" {
		c, err := config.Load(r.config)
		if err != nil {
			return nil, "", err
		}
		dir = c.Journal.Directory
	}
	j, err := openRecord(ctx, dir)
	return j, dir, err
}

// headLine is the end of one stream, as it is kept elsewhere.
type headLine struct {
	Stream string `json:"stream"`
	Seq    uint64 `json:"records"`
	Hash   string `json:"hash"`
}

// verified is what journal verify --json prints.
type verified struct {
	OK     bool       `json:"ok"`
	Heads  []headLine `json:"heads"`
	Damage []string   `json:"damage,omitempty"`
}

func journalVerify(r *record) *cobra.Command {
	var against string
	c := &cobra.Command{
		Use: "verify", Short: "read the whole record back and recompute its chain", Args: cobra.NoArgs,
		Long: `verify reads every record and recomputes every hash. It prints the head of each
stream. Somebody who can rewrite every file can also recompute every hash: keep the
output of verify --json on another computer, and compare later with --against: the
record must still pass through those heads, longer at most.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			kept, err := readHeads(against)
			if err != nil {
				return err
			}
			j, dir, err := r.open(cmd.Context())
			if err != nil {
				return damageIsNo(err)
			}
			defer j.Close() //nolint:errcheck // only read from
			v := verified{Heads: []headLine{}}
			for _, h := range j.Heads() {
				v.Heads = append(v.Heads, headLine{h.Stream, h.Seq, hex.EncodeToString(h.Hash[:])})
			}
			damage := append(j.Damage(), j.Verify(cmd.Context(), "", 0))
			for _, h := range kept {
				damage = append(damage, j.Contains(h))
			}
			if v.Damage, err = sentences(damage); err != nil {
				return err
			}
			v.OK = len(v.Damage) == 0
			if r.json {
				err = printJSON(cmd.OutOrStdout(), v)
			} else {
				err = printVerified(cmd.OutOrStdout(), dir, v, len(kept))
			}
			if err == nil && !v.OK {
				err = answerNo{}
			}
			return err
		},
	}
	c.Flags().StringVar(&against, "against", "", "output of an earlier verify --json: the record must contain it")
	return c
}

// damageIsNo makes damage an answer, not a failure to run.
func damageIsNo(err error) error {
	if errors.Is(err, journal.ErrDamaged) {
		return answerNo{err}
	}
	return err
}

// sentences says each damage once; any other error is returned.
func sentences(all []error) (out []string, err error) {
	seen := map[string]bool{}
	var walk func(error) error
	walk = func(e error) error {
		var many interface{ Unwrap() []error }
		switch {
		case e == nil:
			return nil
		case errors.As(e, &many):
			for _, one := range many.Unwrap() {
				if err := walk(one); err != nil {
					return err
				}
			}
			return nil
		case !errors.Is(e, journal.ErrDamaged):
			return e
		}
		if !seen[e.Error()] {
			seen[e.Error()] = true
			out = append(out, e.Error())
		}
		return nil
	}
	for _, e := range all {
		if err := walk(e); err != nil {
			return out, err
		}
	}
	return out, nil
}

func printVerified(w io.Writer, dir string, v verified, kept int) error {
	p := &printer{w: w}
	for _, d := range v.Damage {
		p.line("%s", d)
	}
	total := uint64(0)
	for _, h := range v.Heads {
		p.line("%s: %d records, head %s", h.Stream, h.Seq, h.Hash)
		total += h.Seq
	}
	switch {
	case !v.OK:
		p.line("%s is damaged: %d things found; keep the files and restore a backup", dir, len(v.Damage))
	case kept > 0:
		p.line("%s is undamaged: %d records, and it passes through the %d heads that were kept", dir, total, kept)
	default:
		p.line("%s is undamaged: %d records", dir, total)
	}
	return p.err
}

// maxHeads bounds a file of heads.
const maxHeads = 4 << 20

func readHeads(path string) ([]journal.Head, error) {
	if path == "" {
		return nil, nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("the heads to compare with cannot be read: %w", err)
	}
	defer f.Close() //nolint:errcheck // only read from
	var v verified
	if err := json.NewDecoder(io.LimitReader(f, maxHeads)).Decode(&v); err != nil {
		return nil, fmt.Errorf("%s is not the output of journal verify --json: %w", path, err)
	}
	var out []journal.Head
	for _, h := range v.Heads {
		head := journal.Head{Stream: h.Stream, Seq: h.Seq}
		b, err := hex.DecodeString(h.Hash)
		if err != nil || len(b) != len(head.Hash) {
			return nil, fmt.Errorf("%s: %q of stream %s is no hash, use the output of journal verify --json", path, h.Hash, h.Stream)
		}
		copy(head.Hash[:], b)
		out = append(out, head)
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("%s names no head, use the output of journal verify --json", path)
	}
	return out, nil
}

func journalExport(r *record) *cobra.Command {
	var format, machine, from, to, file string
	var f journal.Filter
	c := &cobra.Command{
		Use: "export", Short: "write records as JSON lines or CSV, oldest first", Args: cobra.NoArgs,
		Long: `export writes the matching records with their chain hashes. JSON lines hold the
stored bytes of each event; CSV is for spreadsheets. With no filter it writes all.`,
		RunE: func(cmd *cobra.Command, _ []string) (err error) {
			if r.json {
				format = string(journal.JSONLines)
			}
			if machine != "" {
				f.Stream = "machine/" + machine
			}
			if f.From, err = moment("--from", from); err != nil {
				return err
			}
			if f.To, err = moment("--to", to); err != nil {
				return err
			}
			j, _, err := r.open(cmd.Context())
			if err != nil {
				return damageIsNo(err)
			}
			defer j.Close() //nolint:errcheck // only read from
			if file == "" {
				return damageIsNo(j.Export(cmd.OutOrStdout(), journal.ExportFormat(format), f))
			}
			out, err := os.OpenFile(file, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o640)
			if err != nil {
				return fmt.Errorf("%q cannot be written, name a new file: %w", file, err)
			}
			w := bufio.NewWriter(out)
			err = damageIsNo(j.Export(w, journal.ExportFormat(format), f))
			return errors.Join(err, w.Flush(), out.Sync(), out.Close())
		},
	}
	fl := c.Flags()
	fl.StringVar(&format, "format", "jsonl", "jsonl or csv")
	fl.StringVarP(&file, "output", "o", "", "a new file, instead of standard output")
	fl.StringVar(&machine, "machine", "", "only of this machine")
	fl.StringVar(&f.Loop, "loop", "", "only of this loop")
	fl.StringVar(&f.Part, "part", "", "only of this part")
	fl.StringVar(&f.Gauge, "gauge", "", "only of this gauge")
	fl.StringVar(&f.Person, "person", "", "only of this person")
	fl.StringSliceVar(&f.Kinds, "kind", nil, "only these kinds of event, as read, intent, outcome, hold")
	fl.IntVar(&f.Limit, "limit", 0, "at most so many records")
	fl.StringVar(&from, "from", "", "first moment, as 2026-03-01 or 2026-03-01T06:00 (UTC)")
	fl.StringVar(&to, "to", "", "first moment that no longer counts")
	return c
}

func journalBackup(r *record) *cobra.Command {
	return &cobra.Command{
		Use: "backup FOLDER", Short: "write a complete copy into a new folder, and verify it", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			j, _, err := r.open(cmd.Context())
			if err != nil {
				return damageIsNo(err)
			}
			defer j.Close() //nolint:errcheck // only read from
			if err := j.Backup(cmd.Context(), args[0]); err != nil {
				return err
			}
			records, err := verifyCopy(cmd.Context(), args[0])
			if err != nil {
				return answerNo{fmt.Errorf("the copy in %s is not sound: %w", args[0], err)}
			}
			if r.json {
				return printJSON(cmd.OutOrStdout(), map[string]any{"backup": args[0], "records": records, "verified": true})
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s holds %d records, and its chain is verified\n", args[0], records)
			return err
		},
	}
}

func verifyCopy(ctx context.Context, dir string) (records uint64, err error) {
	j, err := openRecord(ctx, dir)
	if err != nil {
		return 0, err
	}
	defer j.Close() //nolint:errcheck // only read from
	for _, h := range j.Heads() {
		records += h.Seq
	}
	return records, errors.Join(append(j.Damage(), j.Verify(ctx, "", 0))...)
}
