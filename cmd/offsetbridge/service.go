package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"offsetbridge/config"
)

func serviceCommand() *cobra.Command {
	var path, user string
	c := &cobra.Command{
		Use: "service", Short: "print a systemd unit for this installation", Args: cobra.NoArgs,
		Long: `service prints a hardened systemd unit for this very binary and a configuration: the
folders it may write to are that of the journal and that of the local socket. It
changes nothing. "offsetbridge manual service" says where to put it.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			binary, err := os.Executable()
			if err != nil {
				return fmt.Errorf("this binary's own path is not known: %w", err)
			}
			file, err := filepath.Abs(path)
			if err != nil {
				return err
			}
			cfg, err := config.Load(file)
			if err != nil {
				return err
			}
			unit, err := unitFor(installation{binary: binary, config: file, user: user, journal: cfg.Journal.Directory, socket: filepath.Dir(cfg.Socket.Path)})
			if err != nil {
				return err
			}
			_, err = fmt.Fprint(cmd.OutOrStdout(), unit)
			return err
		},
	}
	configFlag(c, &path)
	c.Flags().StringVar(&user, "user", "offsetbridge", "user that runs it")
	return c
}

// installation is what a unit depends on; paths are absolute.
type installation struct{ binary, config, user, journal, socket string }

// unitFor is the shipped unit with the paths of an installation.
func unitFor(i installation) (string, error) {
	for _, p := range []string{i.binary, i.config, i.journal, i.socket} {
		if !filepath.IsAbs(p) || strings.ContainsAny(p, " \t\n\"'\\%$;") {
			return "", fmt.Errorf("path %q is relative or holds a space or one of \" ' \\ %% $ ;, which a unit cannot take as it is: move it", p)
		}
	}
	if i.user == "" || strings.ContainsAny(i.user, " \t\n%$\"'") {
		return "", fmt.Errorf("user %q cannot run a unit, name one as in the password database", i.user)
	}
	var lines []string
	for line := range strings.Lines(string(config.Unit)) {
		switch key, _, _ := strings.Cut(line, "="); key {
		case "ExecStart":
			line = fmt.Sprintf("ExecStart=%s run -c %s\n", i.binary, i.config)
		case "ExecReload":
			line = fmt.Sprintf("ExecReload=%s reload -c %s\n", i.binary, i.config)
		case "User", "Group":
			line = key + "=" + i.user + "\n"
		case "StateDirectory":
			line = folder(key, "/var/lib/", i.journal)
		case "StateDirectoryMode":
			if !strings.HasPrefix(i.journal, "/var/lib/") {
				line = ""
			}
		case "RuntimeDirectory", "RuntimeDirectoryMode":
			if i.socket == i.journal {
				line = ""
			} else if key == "RuntimeDirectory" {
				line = folder(key, "/run/", i.socket)
			} else if !strings.HasPrefix(i.socket, "/run/") {
				line = ""
			}
		case "ProtectHome":
			if inHome(i) {
				line = "ProtectHome=read-only\n"
			}
		}
		lines = append(lines, line)
	}
	text := strings.Join(lines, "")
	text = strings.ReplaceAll(text, "--home-dir /var/lib/offsetbridge", "--home-dir "+i.journal)
	return strings.ReplaceAll(text, "/usr/sbin/nologin offsetbridge", "/usr/sbin/nologin "+i.user), nil
}

// folder lets systemd make a folder where it makes such folders, and lets the program
// write to any other, which has to be there.
func folder(key, under, path string) string {
	if name, ok := strings.CutPrefix(path, under); ok {
		return key + "=" + name + "\n"
	}
	return "ReadWritePaths=" + path + "\n"
}

// inHome reports whether something of an installation lies where homes are.
func inHome(i installation) bool {
	for _, p := range []string{i.binary, i.config, i.journal, i.socket} {
		for _, home := range []string{"/home/", "/root/", "/run/user/"} {
			if strings.HasPrefix(p, home) {
				return true
			}
		}
	}
	return false
}
