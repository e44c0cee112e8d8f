package main

import (
	"bufio"
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strconv"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"offsetbridge/config"
	"offsetbridge/internal/account"
	"offsetbridge/internal/core"
	"offsetbridge/internal/web"
)

func accountCommand() *cobra.Command {
	c := &cobra.Command{
		Use: "account", Short: "people and integrations of the page: print their section of the configuration",
		Long: `account prints what belongs into the configuration and changes no file. The PIN
is asked for on the terminal, or read as one line of standard input; only its
salted slow hash is printed.`,
	}
	c.AddCommand(accountAdd(), accountPIN(), accountToken(), accountCertificate())
	return c
}

func accountAdd() *cobra.Command {
	var id, role string
	c := &cobra.Command{
		Use: "add NAME --id ID --role ROLE", Short: "print a new person's section", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if !core.Role(role).May(core.Viewer) {
				return fmt.Errorf("role %q is not known, write viewer, operator, setter or engineer", role)
			}
			hash, err := askPIN(cmd.InOrStdin(), cmd.ErrOrStderr())
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "[[person]]\nid   = %s\nname = %s\nrole = %s\npin  = %s\n",
				strconv.Quote(id), strconv.Quote(args[0]), strconv.Quote(role), strconv.Quote(hash))
			return err
		},
	}
	f := c.Flags()
	f.StringVar(&id, "id", "", "what the record holds in place of the name; never used again for somebody else")
	f.StringVar(&role, "role", "", "viewer, operator, setter or engineer")
	c.MarkFlagRequired("id")   //nolint:errcheck // the flag exists
	c.MarkFlagRequired("role") //nolint:errcheck // the flag exists
	return c
}

func accountPIN() *cobra.Command {
	return &cobra.Command{
		Use: "pin", Short: "print the line of a new PIN", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			hash, err := askPIN(cmd.InOrStdin(), cmd.ErrOrStderr())
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "pin  = %s\n", strconv.Quote(hash))
			return err
		},
	}
}

func accountToken() *cobra.Command {
	var role string
	c := &cobra.Command{
		Use: "token NAME --role ROLE", Short: "print a new integration's section, and once its token", Args: cobra.ExactArgs(1),
		Long: `token makes a token for a program that uses the page's interface. The section for
the configuration goes to standard output, the token itself to standard error: it
is shown this once, the configuration holds only its hash.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			if !core.Role(role).May(core.Viewer) {
				return fmt.Errorf("role %q is not known, write viewer, operator, setter or engineer", role)
			}
			secret, hash := account.NewToken()
			if _, err := fmt.Fprintf(cmd.OutOrStdout(), "[[token]]\nname = %s\nrole = %s\nhash = %s\n", strconv.Quote(args[0]), strconv.Quote(role), strconv.Quote(hash)); err != nil {
				return err
			}
			_, err := fmt.Fprintln(cmd.ErrOrStderr(), "the token, shown this once: "+secret)
			return err
		},
	}
	c.Flags().StringVar(&role, "role", "", "viewer, operator, setter or engineer")
	c.MarkFlagRequired("role") //nolint:errcheck // the flag exists
	return c
}

func accountCertificate() *cobra.Command {
	var path string
	c := &cobra.Command{
		Use: "certificate", Short: "print the fingerprint of the certificate that the page shows", Args: cobra.NoArgs,
		Long: `certificate prints the SHA-256 fingerprint of the page's certificate and until when
it is good. Where none is configured and other computers can reach the page, it
makes one of its own when it first starts: nobody vouches for that one, so compare
what the browser shows before a PIN is typed.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			cfg, err := config.Load(path)
			if err != nil {
				return err
			}
			file := cmp.Or(cfg.Page.CertFile, cfg.OwnCertificate())
			c, err := web.ReadCertificate(file)
			if errors.Is(err, fs.ErrNotExist) {
				return answerNo{fmt.Errorf("there is no certificate at %q: the page makes one when it first starts, where other computers can reach it", file)}
			}
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "sha256 %s\ngood until %s\n", web.Fingerprint(c), c.NotAfter.UTC().Format(time.DateOnly))
			return err
		},
	}
	configFlag(c, &path)
	return c
}

var errTwice = errors.New("the two PINs are not the same, start again")

// askPIN reads a PIN, twice and unseen where somebody types it, and returns its
// hash.
func askPIN(in io.Reader, ask io.Writer) (hash string, err error) {
	f, ok := in.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		line := bufio.NewScanner(io.LimitReader(in, 1024))
		line.Scan()
		if err := line.Err(); err != nil {
			return "", err
		}
		return account.HashPIN(line.Text())
	}
	pin := func(say string) (string, error) {
		fmt.Fprint(ask, say) //nolint:errcheck // a prompt
		b, err := term.ReadPassword(int(f.Fd()))
		fmt.Fprintln(ask) //nolint:errcheck // a prompt
		return string(b), err
	}
	one, err := pin("PIN, 6 digits or more: ")
	if err != nil {
		return "", err
	}
	if err := account.CheckPIN(one); err != nil {
		return "", err
	}
	two, err := pin("once more: ")
	if err != nil {
		return "", err
	}
	if one != two {
		return "", errTwice
	}
	return account.HashPIN(one)
}
