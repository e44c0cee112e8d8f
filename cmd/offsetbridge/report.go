package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"

	"offsetbridge/internal/length"
	"offsetbridge/internal/report"
)

// reportOut is how a report leaves.
type reportOut struct {
	format, file string
	json         bool
}

func (o *reportOut) flags(c *cobra.Command) {
	f := c.PersistentFlags()
	f.StringVar(&o.format, "format", "text", "text, json, csv or html")
	f.BoolVar(&o.json, "json", false, "print JSON")
	f.StringVarP(&o.file, "output", "o", "", "a new file, instead of standard output")
}

// write writes a document where it was asked for.
func (o *reportOut) write(cmd *cobra.Command, d *report.Document) error {
	format, err := report.ParseFormat(o.format)
	if err != nil {
		return err
	}
	if o.json {
		format = report.JSON
	}
	d.Basis = append(d.Basis, report.Fact{Name: "made by", Value: "offsetbridge " + programVersion()})
	if o.file == "" {
		w := bufio.NewWriter(cmd.OutOrStdout())
		return errors.Join(d.Write(w, format), w.Flush())
	}
	file, err := os.OpenFile(o.file, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o640)
	if err != nil {
		return fmt.Errorf("%q cannot be written, name a new file: %w", o.file, err)
	}
	w := bufio.NewWriter(file)
	return errors.Join(d.Write(w, format), w.Flush(), file.Close())
}

func reportCommand() *cobra.Command {
	o := &reportOut{}
	c := &cobra.Command{
		Use: "report", Short: "evidence: capability, control chart, comparison, cost of checking, gauge study, look-back, tool wear",
		Long: `report answers with figures, their intervals and what they rest on, from the journal
(read-only, also beside the running daemon) or from a table of your own (--from FILE,
- for standard input). --format html writes one page with pictures that prints on A4
and Letter; --json uses the field's standard terms.

` + report.Steers,
	}
	o.flags(c)
	c.AddCommand(reportCapability(o), reportChart(o), reportCompare(o), reportCost(o), reportGauge(o), reportLookback(o), reportTool(o))
	return c
}

// input opens a table.
func input(cmd *cobra.Command, path string) (io.ReadCloser, error) {
	if path == "-" {
		return io.NopCloser(cmd.InOrStdin()), nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("the table cannot be read: %w", err)
	}
	return f, nil
}

// optional reads a length that may be absent.
func optional(flag, text string, unit length.Unit) (*length.Length, error) {
	if text == "" {
		return nil, nil
	}
	l, err := length.ParseNumber(text, unit)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", flag, err)
	}
	return &l, nil
}
