package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"offsetbridge/config"
	"offsetbridge/internal/core"
	"offsetbridge/internal/web"
)

// door is how the commands that talk to a running daemon find it.
type door struct {
	config, socket string
	json           bool

	remote    web.Remote
	tokenFile string
}

func (d *door) flags(c *cobra.Command) {
	c.PersistentFlags().StringVarP(&d.config, "config", "c", "cell.toml", "configuration file of the running daemon")
	c.PersistentFlags().StringVar(&d.socket, "socket", "", "its local socket, instead of a configuration")
	c.PersistentFlags().BoolVar(&d.json, "json", false, "print JSON")
	c.PersistentFlags().StringVar(&d.remote.URL, "url", "", "address of its page on another computer, as in https://192.0.2.10:8443; needs a token")
	c.PersistentFlags().StringVar(&d.tokenFile, "token-file", "", "file whose first line is the token; otherwise $"+tokenVariable)
	c.PersistentFlags().StringVar(&d.remote.CAFile, "ca-file", "", "who signs the page's certificate, instead of the system's authorities")
	c.PersistentFlags().StringVar(&d.remote.Fingerprint, "fingerprint", "", "of the page's self-made certificate, as its log shows it")
	c.MarkPersistentFlagFilename("config", "toml") //nolint:errcheck // the flag exists
}

// tokenVariable holds the token where no file is named: an argument could be read
// by everybody on this computer.
const tokenVariable = "OFFSETBRIDGE_TOKEN"

// far returns a client for the page of another computer.
func (d *door) far() (*web.Client, error) {
	o := d.remote
	o.Token = os.Getenv(tokenVariable)
	if d.tokenFile != "" {
		b, err := os.ReadFile(d.tokenFile)
		if err != nil {
			return nil, fmt.Errorf("token file %q cannot be read: %w", d.tokenFile, err)
		}
		o.Token, _, _ = strings.Cut(string(b), "\n")
	}
	o.Token = strings.TrimSpace(o.Token)
	return web.NewRemote(o)
}

func (d *door) client() (*web.Client, error) {
	if d.remote.URL != "" {
		return d.far()
	}
	if d.socket != "" {
		return web.NewClient(d.socket), nil
	}
	path, err := config.SocketPath(d.config)
	if err != nil {
		return nil, err
	}
	return web.NewClient(path), nil
}

// refused turns the daemon's no into exit code 1.
func refused(err error) error {
	var r *web.RefusedError
	if errors.As(err, &r) {
		return answerNo{err}
	}
	return err
}

func queueCommand() *cobra.Command {
	d := &door{}
	c := &cobra.Command{Use: "queue", Short: "list and decide what waits for a person"}
	d.flags(c)
	c.AddCommand(queueList(d), queueShow(d), queueApprove(d), queueReject(d), queueStep(d), queueTyped(d), queueFirst(d), queueInsert(d))
	return c
}

func (d *door) cards(ctx context.Context) ([]web.Card, error) {
	cl, err := d.client()
	if err != nil {
		return nil, err
	}
	var q struct {
		Proposals []web.Card `json:"proposals"`
	}
	err = cl.Get(ctx, "/v1/queue", nil, &q)
	return q.Proposals, refused(err)
}

func queueList(d *door) *cobra.Command {
	return &cobra.Command{
		Use: "list", Short: "list the open proposals", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			cards, err := d.cards(cmd.Context())
			if err != nil {
				return err
			}
			out := cmd.OutOrStdout()
			if d.json {
				return printJSON(out, cards)
			}
			wanted, err := d.wanted(cmd.Context())
			if err != nil {
				return err
			}
			if len(cards) == 0 && len(wanted) == 0 {
				_, err := fmt.Fprintln(out, "nothing waits for anybody")
				return err
			}
			w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
			for _, c := range cards {
				fmt.Fprintf(w, "%s\t%s\t%s\n", c.ID, who(c), c.Say) //nolint:errcheck // Flush tells
			}
			for _, r := range wanted {
				fmt.Fprintf(w, "%s\t%s\t%s\n", r.Machine, core.Operator, requestSays(r)) //nolint:errcheck // as above
			}
			return w.Flush()
		},
	}
}

// wanted returns the parts of which another reading is asked for.
func (d *door) wanted(ctx context.Context) ([]core.RequestView, error) {
	cl, err := d.client()
	if err != nil {
		return nil, err
	}
	var q struct {
		Requests []core.RequestView `json:"requests"`
	}
	err = cl.Get(ctx, "/v1/requests", nil, &q)
	return q.Requests, refused(err)
}

func who(c web.Card) string {
	if c.Status != string(core.Pending) {
		return "decided"
	}
	return c.Need
}

func queueShow(d *door) *cobra.Command {
	return &cobra.Command{
		Use: "show MACHINE/NUMBER", Short: "show one proposal with its arithmetic", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			cl, err := d.client()
			if err != nil {
				return err
			}
			var c web.Card
			if err := cl.Get(cmd.Context(), "/v1/queue/"+args[0], nil, &c); err != nil {
				return refused(err)
			}
			if d.json {
				return printJSON(cmd.OutOrStdout(), c)
			}
			return printCard(cmd.OutOrStdout(), c)
		},
	}
}

func printCard(out io.Writer, c web.Card) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	line := func(k, v string) {
		if v != "" {
			fmt.Fprintf(w, "%s\t%s\n", k, v) //nolint:errcheck // Flush tells
		}
	}
	line(c.ID, c.Say)
	line("part", fmt.Sprintf("%s on %s, %d cut since", c.Part, c.Machine, c.InTransit))
	if c.FromAim == "" { // no reading stands behind it
		line("limits", c.Limits)
	} else {
		line("from aim", fmt.Sprintf("%s (limits %s)", c.FromAim, c.Limits))
	}
	line("measured", c.Decision)
	for _, how := range c.How {
		line("", how)
	}
	line("by hand", c.ByHand)
	line("change", fmt.Sprintf("%s in size, cuts %s", c.Change, c.Cuts))
	line("then", fmt.Sprintf("%s %s for the next part", c.Predicted, c.Spread))
	for _, what := range c.Type {
		line("type", what)
	}
	for _, r := range c.Registers {
		line("register", fmt.Sprintf("%s: %s → %s", r.Register, r.Old, r.New))
	}
	for _, x := range c.Sizes {
		harmed := ""
		if x.Harmed {
			harmed = ", further than without"
		}
		line(x.Characteristic, fmt.Sprintf("%s → %s from aim%s", x.Before, x.After, harmed))
	}
	line("decides", c.Need)
	line("because", c.Because)
	line("waits", c.Waiting)
	line("expires", fmt.Sprintf("in %d s", c.Expires))
	line("", "a size steers the process, it accepts no part")
	return w.Flush()
}

// decide fetches the card, so that the approval names exactly what is there now.
func queueApprove(d *door) *cobra.Command {
	var digest string
	c := &cobra.Command{
		Use: "approve MACHINE/NUMBER", Short: "approve one proposal", Args: cobra.ExactArgs(1),
		Long: `approve says yes to exactly one proposal. With --digest (from show --json) it is
refused when the proposal is not the one that was shown.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			cl, err := d.client()
			if err != nil {
				return err
			}
			var card web.Card
			if err := cl.Get(cmd.Context(), "/v1/queue/"+args[0], nil, &card); err != nil {
				return refused(err)
			}
			if digest == "" {
				digest = card.Digest
			}
			err = cl.Post(cmd.Context(), "/v1/queue/"+args[0]+"/approve", map[string]string{"digest": digest}, nil)
			if err != nil {
				return refused(err)
			}
			return d.done(cmd.OutOrStdout(), "approved: "+card.Say)
		},
	}
	c.Flags().StringVar(&digest, "digest", "", "approve only this very proposal")
	return c
}

func queueReject(d *door) *cobra.Command {
	var reason string
	c := &cobra.Command{
		Use: "reject MACHINE/NUMBER --reason TEXT", Short: "reject one proposal", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			cl, err := d.client()
			if err != nil {
				return err
			}
			err = cl.Post(cmd.Context(), "/v1/queue/"+args[0]+"/reject", map[string]string{"reason": reason}, nil)
			if err != nil {
				return refused(err)
			}
			return d.done(cmd.OutOrStdout(), "rejected: it comes back only when something changes")
		},
	}
	c.Flags().StringVar(&reason, "reason", "", "why, for the record")
	c.MarkFlagRequired("reason") //nolint:errcheck // the flag exists
	return c
}

func (d *door) done(out io.Writer, say string) error {
	if d.json {
		return printJSON(out, map[string]string{"done": say})
	}
	_, err := fmt.Fprintln(out, say)
	return err
}

func printJSON(out io.Writer, v any) error {
	e := json.NewEncoder(out)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(v)
}

// scope reads "MACHINE" or "MACHINE/LOOP"; nothing means everything.
func scope(args []string) web.Scope {
	if len(args) == 0 {
		return web.Scope{}
	}
	machine, loop, _ := strings.Cut(args[0], "/")
	return web.Scope{Machine: machine, Loop: loop}
}
