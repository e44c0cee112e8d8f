// Command offsetbridge closes the loop between a gauge and a machine tool.
//
// Each subcommand is one file. Exit codes: 0 fine, 1 the answer is no, 2 could
// not run. Errors are one sentence on standard error.
package main

import (
	"errors"
	"fmt"
	"os"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// version is set by the linker for a release.
var version = ""

func main() { os.Exit(run()) }

func run() int {
	root := command()
	err := root.Execute()
	if err == nil {
		return 0
	}
	var no answerNo
	if errors.As(err, &no) {
		if no.err != nil {
			fmt.Fprintln(os.Stderr, "offsetbridge: "+no.err.Error())
		}
		return 1
	}
	fmt.Fprintln(os.Stderr, "offsetbridge: "+err.Error())
	return 2
}

// answerNo ends a command whose answer is no: exit code 1.
type answerNo struct{ err error }

func (a answerNo) Error() string {
	if a.err == nil {
		return "no"
	}
	return a.err.Error()
}

func (a answerNo) Unwrap() error { return a.err }

func command() *cobra.Command {
	root := &cobra.Command{
		Use:   "offsetbridge",
		Short: "turn gauge readings into proven tool-offset changes",
		Long: `offsetbridge takes gauge readings over MQTT, works out which register change
brings the next part to size, and writes it over OPC UA inside preset bounds, or
queues it for a person. It steers a process: it accepts no part, and it is no
safety function.`,
		SilenceErrors: true,
		SilenceUsage:  true,
	}
	root.SetVersionTemplate("{{.Version}}\n")
	root.AddCommand(demoCommand(), simulateCommand(), browseCommand(), runCommand(), checkCommand(), queueCommand(), holdCommand(), resumeCommand(),
		statusCommand(), gaugeCommand(), trayCommand(), taskCommand(), enterCommand(), accountCommand(), limitsCommand(), engineCommand(), replayCommand(), reportCommand(), journalCommand(), manualCommand(), healthCommand(), reloadCommand(), serviceCommand(), versionCommand())
	return root
}

func programVersion() string {
	if version != "" {
		return version
	}
	if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" {
		return info.Main.Version
	}
	return "(devel)"
}

func versionCommand() *cobra.Command {
	return &cobra.Command{
		Use: "version", Short: "print the version", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			_, err := fmt.Fprintln(cmd.OutOrStdout(), "offsetbridge "+programVersion())
			return err
		},
	}
}
