package main

import (
	"errors"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"offsetbridge/internal/app"
	"offsetbridge/internal/manual"
)

func manualCommand() *cobra.Command {
	return &cobra.Command{
		Use: "manual [WORD]", Short: "the manual: its contents, or what it says about a word",
		Long: `manual prints the manual's contents. With the name of a page it prints that page;
with the code or the sentence of a message what to do about it; with a key of the
configuration what it means; with any other word what stands under it.`,
		ValidArgsFunction: manualWords,
		RunE: func(cmd *cobra.Command, args []string) error {
			m, err := app.Manual()
			if err != nil {
				return err
			}
			if len(args) == 0 {
				return printContents(cmd.OutOrStdout(), m)
			}
			found, err := m.Find(strings.Join(args, " "))
			var unknown *manual.UnknownError
			switch {
			case errors.As(err, &unknown):
				return answerNo{err}
			case err != nil:
				return err
			case len(found.Sections) > 0:
				return manual.WriteText(cmd.OutOrStdout(), found.Sections)
			}
			return printMentions(cmd.OutOrStdout(), found.Mentions)
		},
	}
}

func manualWords(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
	m, err := app.Manual()
	if err != nil {
		return nil, cobra.ShellCompDirectiveError
	}
	return m.Known(), cobra.ShellCompDirectiveNoFileComp
}

func printContents(w io.Writer, m *manual.Manual) error {
	p := &printer{w: w}
	p.line("offsetbridge manual WORD, where WORD is a page, a message's code, or a key of the configuration:\n")
	for _, page := range m.Pages {
		p.line("  %-14s %s", page.Name, page.Title)
	}
	p.line("\nNothing here is a safety function, and a size accepts no part: offsetbridge manual safety")
	return p.err
}

// mostMentions bounds what is listed of a word that no section is about.
const mostMentions = 20

func printMentions(w io.Writer, all []*manual.Section) error {
	p := &printer{w: w}
	p.line("no section is about it; it occurs in:\n")
	for _, s := range all[:min(len(all), mostMentions)] {
		p.line("  %-14s %s", s.Page.Name, s.Plain())
	}
	if n := len(all) - mostMentions; n > 0 {
		p.line("  and %d more", n)
	}
	return p.err
}
