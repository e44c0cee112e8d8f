package report

import (
	_ "embed"
	"html/template"
	"io"
)

//go:embed report.html
var page string

var pages = template.Must(template.New("report").Funcs(template.FuncMap{
	"svg":    func(s string) template.HTML { return template.HTML(s) }, // our own, escaped where it was made
	"alarm":  func(t *Table, i int) bool { return t.Alarm[i] },
	"words":  func(t *Table, i int) bool { return i == 0 || t.Words[i] },
	"steers": func() string { return Steers },
}).Parse(page))

func (d *Document) html(w io.Writer) error { return pages.Execute(w, d) }
