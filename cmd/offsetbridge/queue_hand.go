package main

import (
	"errors"
	"net/url"
	"strings"

	"github.com/spf13/cobra"

	"offsetbridge/internal/web"
)

// queueTyped reports what a person typed at a machine by hand.
func queueTyped(d *door) *cobra.Command {
	var register, value, first string
	c := &cobra.Command{
		Use: "typed MACHINE/NUMBER | typed MACHINE --register NAME --value VALUE", Short: "say what was typed at a machine by hand", Args: cobra.ExactArgs(1),
		Long: `typed says that a card was carried out by hand, exactly as it says, or with --value
that another value was typed. With --register and --value it says what a register
holds, without any card: after a preset, or a change at the panel. With --first it
also declares the first part that is cut, or cut again, under it.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			cl, err := d.client()
			if err != nil {
				return err
			}
			machine, number, card := strings.Cut(args[0], "/")
			if !card {
				if register == "" || value == "" {
					return errors.New("a machine alone needs --register and --value, or name a card as MACHINE/NUMBER")
				}
				body := web.RegisterRequest{Register: register, Value: value, First: first}
				if err := cl.Post(cmd.Context(), "/v1/machines/"+url.PathEscape(machine)+"/register", body, nil); err != nil {
					return refused(err)
				}
				return d.done(cmd.OutOrStdout(), register+" of "+machine+" holds "+value+firstSays(first))
			}
			var shown web.Card
			at := "/v1/queue/" + url.PathEscape(machine) + "/" + number
			if err := cl.Get(cmd.Context(), at, nil, &shown); err != nil {
				return refused(err)
			}
			body := web.TypedRequest{Digest: shown.Digest, Value: value, First: first}
			if err := cl.Post(cmd.Context(), at+"/typed", body, nil); err != nil {
				return refused(err)
			}
			if value != "" {
				return d.done(cmd.OutOrStdout(), "typed: "+value+firstSays(first))
			}
			return d.done(cmd.OutOrStdout(), "typed: "+strings.Join(shown.Type, "; ")+firstSays(first))
		},
	}
	c.Flags().StringVar(&register, "register", "", "which register, without a card")
	c.Flags().StringVar(&value, "value", "", `what it holds now, as in "0.012 mm" or "15 graduations"`)
	c.Flags().StringVar(&first, "first", "", "the first part that is cut under it")
	return c
}

func firstSays(part string) string {
	if part == "" {
		return "; say which part is the first one cut under it: offsetbridge queue first"
	}
	return "; part " + part + " is the first one cut under it"
}

// queueFirst declares the first part after a change by hand.
func queueFirst(d *door) *cobra.Command {
	return &cobra.Command{
		Use: "first MACHINE [PART]", Short: "declare the first part after a change by hand", Args: cobra.RangeArgs(1, 2),
		Long: `first says which part is the first one that was cut, or cut again, under what was
typed last. Without a part it is the next one that is measured.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			cl, err := d.client()
			if err != nil {
				return err
			}
			part, say := "", "the next part that is measured"
			if len(args) == 2 {
				part, say = args[1], "part "+args[1]
			}
			if err := cl.Post(cmd.Context(), "/v1/machines/"+url.PathEscape(args[0])+"/first", web.FirstRequest{Part: part}, nil); err != nil {
				return refused(err)
			}
			return d.done(cmd.OutOrStdout(), say+" is the first one cut under it")
		},
	}
}

// queueInsert reports a new insert where the machine does not.
func queueInsert(d *door) *cobra.Command {
	return &cobra.Command{
		Use: "insert MACHINE TOOL", Short: "say that a tool has got a new insert, where the machine does not tell", Args: cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			cl, err := d.client()
			if err != nil {
				return err
			}
			if err := cl.Post(cmd.Context(), "/v1/machines/"+url.PathEscape(args[0])+"/tools/"+url.PathEscape(args[1])+"/new", struct{}{}, nil); err != nil {
				return refused(err)
			}
			return d.done(cmd.OutOrStdout(), "tool "+args[1]+" of "+args[0]+" is new: readings of the old one steer nothing any more")
		},
	}
}
