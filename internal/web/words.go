package web

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"

	"offsetbridge/internal/core"
)

// words are the texts of the page in one language: the same catalogue that the
// browser reads, by key. A text may hold {names} that are filled in. A key
// "code.x" is the sentence of code x of the record.
type words struct {
	lang string
	text map[string]string
	list map[string][]string
}

// name is what the language calls itself, comma whether it writes one in numbers.
func (w words) name() string { return cmp.Or(w.text["language"], w.lang) }
func (w words) comma() bool  { return w.text["decimal_sign"] == "," }

// readWords reads the catalogue of a language.
func readWords(lang string, body []byte) (words, error) {
	var all map[string]json.RawMessage
	if err := json.Unmarshal(body, &all); err != nil {
		return words{}, fmt.Errorf("the catalogue of texts for %q is not JSON, correct it: %w", lang, err)
	}
	w := words{lang: lang, text: map[string]string{}, list: map[string][]string{}}
	for key, raw := range all {
		var one string
		if json.Unmarshal(raw, &one) == nil {
			w.text[key] = one
			continue
		}
		var several []string
		if err := json.Unmarshal(raw, &several); err != nil {
			return words{}, fmt.Errorf("text %q of %q is neither a text nor a list of texts, correct it", key, lang)
		}
		w.list[key] = several
	}
	return w, nil
}

// fill returns the text of a key with its names filled in from pairs of name and
// value. A key without a text stands for itself, so that it is seen.
func (w words) fill(key string, pairs ...any) string {
	s, ok := w.text[key]
	if !ok {
		return key
	}
	if len(pairs) == 0 {
		return s
	}
	var with []string
	for i := 0; i+1 < len(pairs); i += 2 {
		with = append(with, "{"+fmt.Sprint(pairs[i])+"}", fmt.Sprint(pairs[i+1]))
	}
	return strings.NewReplacer(with...).Replace(s)
}

// body is the catalogue as the browser reads it.
func (w words) body() ([]byte, error) {
	all := map[string]any{}
	for k, v := range w.text {
		all[k] = v
	}
	for k, v := range w.list {
		all[k] = v
	}
	return json.Marshal(all)
}

// Bounds of a shop's own catalogues.
const (
	maxLanguages = 20
	maxCatalogue = 256 << 10 // bytes
)

var languageFile = regexp.MustCompile(`^([a-z]{2,3})\.json$`)

// english are the texts that are part of the program and complete.
var english = sync.OnceValue(func() words {
	body, err := static.ReadFile("static/en.json")
	if err != nil {
		panic(err) // it is compiled in
	}
	w, err := readWords("en", body)
	if err != nil {
		panic(err)
	}
	return w
})

// catalogues returns the texts by language: those of the program, and over them
// those of a shop's folder ("" for none). What a language does not say is said in
// English.
func catalogues(dir string) (map[string]words, error) {
	all := map[string]words{}
	read := func(from fs.FS, list []fs.DirEntry, codes bool) error {
		for _, f := range list {
			m := languageFile.FindStringSubmatch(f.Name())
			if m == nil {
				continue
			}
			if info, err := f.Info(); err != nil || info.Size() > maxCatalogue {
				return fmt.Errorf("catalogue %s is not a file of at most 256 KiB", f.Name())
			}
			body, err := fs.ReadFile(from, f.Name())
			if err != nil {
				return err
			}
			w, err := readWords(m[1], body)
			if err == nil {
				err = w.belongs(codes)
			}
			if err != nil {
				return err
			}
			if _, ok := all[m[1]]; !ok {
				if len(all) == maxLanguages {
					return fmt.Errorf("catalogue %s is one too many, keep at most %d languages", f.Name(), maxLanguages)
				}
				all[m[1]] = english().clone(m[1])
			}
			all[m[1]].over(w)
		}
		return nil
	}
	own, err := fs.Sub(static, "static")
	if err != nil {
		return nil, err
	}
	list, err := fs.ReadDir(own, ".")
	if err == nil {
		err = read(own, list, false) // the edges' codes are tested with the edges
	}
	if err == nil && dir != "" {
		if list, err = os.ReadDir(filepath.Clean(dir)); err == nil {
			err = read(os.DirFS(dir), list, true)
		}
	}
	if err != nil {
		return nil, fmt.Errorf("the page's texts cannot be read: %w", err)
	}
	return all, nil
}

func (w words) clone(lang string) words {
	c := words{lang: lang, text: map[string]string{}, list: map[string][]string{}}
	c.over(w)
	return c
}

func (w words) over(more words) {
	for k, v := range more.text {
		w.text[k] = v
	}
	for k, v := range more.list {
		w.list[k] = v
	}
}

var filled = regexp.MustCompile(`\{\w+\}`)

// belongs refuses texts that nothing shows, and {names} that nothing fills in.
func (w words) belongs(codes bool) error {
	for _, k := range slices.Sorted(maps.Keys(w.text)) {
		if c, ok := strings.CutPrefix(k, "code."); ok {
			if codes && core.Code(c).Words() == c && refusals[c] == "" {
				return fmt.Errorf("text %q of %q is of no code that there is, take it out", k, w.lang)
			}
			continue
		}
		en, ok := english().text[k]
		if !ok {
			return fmt.Errorf("text %q of %q is shown nowhere, take it out", k, w.lang)
		}
		for _, name := range filled.FindAllString(w.text[k], -1) {
			if !strings.Contains(en, name) {
				return fmt.Errorf("text %q of %q has %s, which nothing fills in, take it out", k, w.lang, name)
			}
		}
	}
	for k := range w.list {
		if _, ok := english().list[k]; !ok {
			return fmt.Errorf("list %q of %q is shown nowhere, take it out", k, w.lang)
		}
	}
	return nil
}
