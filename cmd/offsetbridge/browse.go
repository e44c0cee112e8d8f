package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"offsetbridge/config"
	"offsetbridge/internal/app"
	"offsetbridge/internal/intake"
	"offsetbridge/internal/length"
	"offsetbridge/internal/machine"
)

// browse is one look at brokers and machines.
type browse struct {
	path, topic, write, unit, from string
	count, most, nodes             int
	wait                           time.Duration
	json, all                      bool
	loops                          []string
	user, passwordEnv              string
	policy, mode, cert, key        string
	out                            io.Writer
	judge                          *app.Judge
	draft                          app.Draft
	heard                          []heardMessage
}

// heardMessage is one raw message with what is said of it.
type heardMessage struct {
	Time     string       `json:"time"`
	Topic    string       `json:"topic"`
	Payload  string       `json:"payload"` // as a quoted string, at most 400 bytes of it
	Size     int          `json:"size"`
	Retained bool         `json:"retained,omitempty"`
	Looks    string       `json:"looks_like,omitempty"`
	Verdict  *app.Verdict `json:"verdict,omitempty"`
}

func browseCommand() *cobra.Command {
	b := &browse{}
	c := &cobra.Command{
		Use: "browse URL…", Short: "what a broker passes on and a machine offers, with a configuration to begin with", Args: cobra.MinimumNArgs(1),
		Long: `browse looks, bounded and changing nothing, and writes nothing anywhere else.

mqtt://host:port shows raw messages as they come, and says for each why it would or
would not be used: by the mappings of a configuration with -c, otherwise by what it
looks like. opc.tcp://host:port lists the numeric nodes with type, unit, range and
whether they can be written.

At the end a draft of a configuration is printed that passes ` + "`offsetbridge check`" + `, or
written to a new file with --write. Give broker and machine in one command, and what
the drawing says with --loop, for a cell that observes:

  offsetbridge browse mqtt://127.0.0.1:1883 opc.tcp://127.0.0.1:4840 \
    --loop "bore 28 H8; 28 H8; milled bore; T12-diameter" --write cell.toml`,
		RunE: func(cmd *cobra.Command, args []string) error {
			b.out = cmd.OutOrStdout()
			ctx, stop := signal.NotifyContext(cmd.Context(), os.Interrupt, syscall.SIGTERM)
			defer stop()
			return b.run(ctx, args)
		},
	}
	f := c.Flags()
	f.StringVarP(&b.path, "config", "c", "", "judge messages by this configuration")
	c.MarkFlagFilename("config", "toml") //nolint:errcheck // the flag exists
	f.StringVar(&b.topic, "topic", "#", "MQTT filter to listen to")
	f.IntVar(&b.count, "count", 20, "stop after so many messages")
	f.DurationVar(&b.wait, "wait", 10*time.Second, "stop listening, or looking at one server, after this time")
	f.IntVar(&b.most, "most", 2000, "nodes of one server whose attributes are read")
	f.IntVar(&b.nodes, "nodes", 300_000, "nodes of one server that are passed")
	f.StringVar(&b.from, "from", "", "node id to begin at (default: the objects folder)")
	f.BoolVar(&b.all, "all", false, "list texts and booleans as well")
	f.StringVar(&b.unit, "unit", "", "unit of numbers of which nobody tells one: mm, µm, nm, in or thou")
	f.StringArrayVar(&b.loops, "loop", nil, `"CHARACTERISTIC; LIMITS; OPERATION; REGISTER": a loop of the draft`)
	f.StringVar(&b.write, "write", "", "write the draft to a new file")
	f.StringVar(&b.user, "user", "", "user at broker or server")
	f.StringVar(&b.passwordEnv, "password-env", "", "environment variable with the password")
	f.StringVar(&b.policy, "policy", "None", "OPC UA security policy")
	f.StringVar(&b.mode, "mode", "None", "OPC UA security mode")
	f.StringVar(&b.cert, "cert", "opcua.pem", "our certificate; made with its key where neither file is there, and the mode is not None")
	f.StringVar(&b.key, "key", "opcua-key.pem", "our key")
	f.BoolVar(&b.json, "json", false, "print JSON")
	return c
}

func (b *browse) run(ctx context.Context, urls []string) error {
	if b.count < 1 || b.count > 10_000 || b.most < 1 || b.most > 50_000 || b.nodes < 1 || b.nodes > 1_000_000 || b.wait > time.Hour {
		return errors.New("a bound is outside its range: count 1 to 10000, most 1 to 50000, nodes 1 to 1000000, wait up to 1 h")
	}
	if b.unit != "" {
		u, err := length.ParseUnit(b.unit)
		if err != nil {
			return err
		}
		b.draft.Unit = u
	}
	for _, text := range b.loops {
		l, err := app.ParseDraftLoop(text)
		if err != nil {
			return err
		}
		b.draft.Loops = append(b.draft.Loops, l)
	}
	if b.path != "" {
		cfg, err := config.Load(b.path)
		if err != nil {
			return err
		}
		if b.judge, err = app.NewJudge(cfg); err != nil {
			return err
		}
		if b.draft.Base, err = os.ReadFile(b.path); err != nil {
			return err
		}
		b.draft.Config = cfg
	}
	for _, u := range urls {
		var err error
		switch {
		case strings.HasPrefix(u, "mqtt://"), strings.HasPrefix(u, "mqtts://"):
			err = b.broker(ctx, u)
		case strings.HasPrefix(u, "opc.tcp://"):
			err = b.server(ctx, u)
		default:
			err = fmt.Errorf("%q is no address of a broker or a machine, write mqtt://host:port or opc.tcp://host:port", u)
		}
		if err != nil {
			return err
		}
	}
	return b.finish()
}

// shownBytes bounds what is shown of one payload.
const shownBytes = 400

// broker listens for a while.
func (b *browse) broker(ctx context.Context, url string) error {
	b.draft.Broker = url
	ctx, cancel := context.WithTimeout(ctx, b.wait)
	defer cancel()
	n := 0
	err := intake.Listen(ctx, intake.Options{Broker: url, User: b.user, Password: os.Getenv(b.passwordEnv)}, b.topic, func(r intake.Raw) bool {
		b.hear(r)
		n++
		return n < b.count
	})
	if err != nil {
		return answerNo{err}
	}
	if n == 0 && !b.json {
		fmt.Fprintf(b.out, "nothing was heard at %s on %q within %s\n", url, b.topic, b.wait) //nolint:errcheck // a terminal
	}
	return nil
}

// hear shows one message and what is said of it.
func (b *browse) hear(r intake.Raw) {
	m := heardMessage{
		Time: r.At.UTC().Format("2006-01-02T15:04:05.000Z"), Topic: r.Topic, Size: r.Size, Retained: r.Retained,
		Payload: strconv.QuoteToASCII(string(r.Payload[:min(len(r.Payload), shownBytes)])),
	}
	m.Looks = b.proposal(r.Topic).Understand(r)
	if b.judge != nil {
		v := b.judge.Say(r)
		m.Verdict = &v
	}
	b.heard = append(b.heard, m)
	if b.json {
		return
	}
	p := &printer{w: b.out}
	more := ""
	if r.Size > shownBytes {
		more = fmt.Sprintf("… (%d bytes)", r.Size)
	}
	p.line("%s  %s  %s%s", m.Time, strconv.QuoteToASCII(m.Topic), m.Payload, more)
	if m.Verdict != nil {
		p.line("    %s", m.Verdict.Say)
	} else {
		p.line("    %s", m.Looks)
	}
}

// proposal returns what is known of a topic so far; beyond so many topics nothing
// is proposed any more.
func (b *browse) proposal(topic string) *intake.Proposal {
	const most = 200
	if i := slices.IndexFunc(b.draft.Proposals, func(p *intake.Proposal) bool { return p.Topic == topic }); i >= 0 {
		return b.draft.Proposals[i]
	}
	p := &intake.Proposal{}
	if len(b.draft.Proposals) < most {
		b.draft.Proposals = append(b.draft.Proposals, p)
	}
	return p
}

// server lists one machine.
func (b *browse) server(ctx context.Context, url string) error {
	o := machine.Options{Endpoint: url, Security: machine.Security{Policy: b.policy, Mode: b.mode, User: b.user, Password: os.Getenv(b.passwordEnv)}}
	m := app.DraftMachine{Policy: b.policy, Mode: b.mode, User: b.user, PasswordEnv: b.passwordEnv}
	if b.mode != "None" {
		o.Security.CertificateFile, o.Security.KeyFile = b.cert, b.key
		m.CertFile, m.KeyFile = b.cert, b.key
	}
	l, err := machine.List(ctx, o, machine.ListOptions{From: b.from, Most: b.most, Nodes: b.nodes, Time: b.wait})
	if err != nil {
		return answerNo{fmt.Errorf("%s: %w%s", url, err, offers(l.Peer))}
	}
	m.Listing = l
	b.draft.Machines = append(b.draft.Machines, m)
	if !b.json {
		b.list(l)
	}
	return nil
}

// offers says which protection a server has, where the one asked for was missing.
func offers(p machine.Peer) string {
	var list []string
	for _, o := range p.Offers {
		list = append(list, "--policy "+o.Policy+" --mode "+o.Mode)
	}
	if len(list) == 0 {
		return ""
	}
	return "; it offers " + strings.Join(list, " or ")
}

func (b *browse) list(l machine.Listing) {
	p := &printer{w: b.out}
	name := l.Peer.Application
	if l.Demo {
		name += ", a simulated machine"
	}
	p.line("%s: %s, %d nodes passed", l.Endpoint, strconv.QuoteToASCII(name), l.Seen)
	for _, n := range l.Notes {
		p.line("  look: %s", n)
	}
	if l.Left > 0 {
		p.line("  look: %d variables are not shown for the bound of %d, those with telling names come first; see --most and --from", l.Left, b.most)
	}
	for _, n := range l.Nodes {
		if !n.Numeric && !b.all && (!n.Writable || n.Length == "") {
			continue
		}
		access := "read only"
		if n.Writable {
			access = "can be written"
		}
		unit := n.Unit
		if unit == "" {
			unit = "no unit"
		}
		span := ""
		if n.Range != "" {
			span = ", range " + n.Range
		}
		p.line("  %s  %s, %s%s, %s, reads %s", strconv.QuoteToASCII(n.Path), n.Type, unit, span, access, strconv.QuoteToASCII(n.Value))
		p.line("      %s", strconv.QuoteToASCII(n.ID))
	}
}

// finish prints or writes the draft.
func (b *browse) finish() error {
	text, err := b.draft.Text()
	if err != nil {
		return answerNo{fmt.Errorf("the draft needs more, or something else in --loop:\n%w", err)}
	}
	if b.write != "" {
		if err := writeNew(b.write, text); err != nil {
			return err
		}
	}
	if b.json {
		return printJSON(b.out, map[string]any{
			"messages": b.heard, "proposals": b.draft.Proposals, "machines": b.draft.Machines, "draft": text,
		})
	}
	p := &printer{w: b.out}
	switch {
	case b.draft.Config != nil && strings.TrimSpace(text) == "":
		p.line("\nnothing is to be added to %s", b.path)
		return p.err
	case b.draft.Config != nil && b.write == "":
		p.line("\nto be added to %s:", b.path)
	case b.write != "":
		p.line("\nthe draft is in %s: look at what it says CHECK of, then offsetbridge check -c %[1]s --dial", b.write)
		return p.err
	}
	p.line("\n%s", text)
	return p.err
}
