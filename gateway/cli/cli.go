// Package cli is the command line: servers, and a client command for every part
// of the job from trouble code to quote. The client commands speak gRPC to a
// running server; nothing is decided here.
package cli

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"
)

// Streams are what a command reads and writes.
type Streams struct {
	In       io.Reader
	Out, Err io.Writer
}

// Exit codes.
const (
	// ExitOK means that the command did what was asked.
	ExitOK = 0
	// ExitFailed means that it could not, or that the answer was an error.
	ExitFailed = 1
	// ExitUsage means that the command line is wrong.
	ExitUsage = 2
)

// usageError marks an error of the command line.
type usageError struct{ error }

// Unwrap gives what is wrong.
func (e usageError) Unwrap() error { return e.error }

// Main runs one command line and returns the exit code.
func Main(ctx context.Context, args []string, streams Streams) int {
	root := Root(streams)
	root.SetArgs(args)
	cmd, err := root.ExecuteContextC(ctx)
	if err == nil {
		return ExitOK
	}
	_, _ = fmt.Fprintln(streams.Err, "beltwright: "+explain(cmd, err))
	if _, usage := errors.AsType[usageError](err); usage {
		return ExitUsage
	}
	return ExitFailed
}

// Root is the command tree.
func Root(streams Streams) *cobra.Command {
	root := &cobra.Command{
		Use:   "beltwright",
		Short: "Restraint parts: from trouble code to a priced, proven choice",
		Long: `Beltwright takes a repair of a restraint part from the trouble code to a quote:
read the code, prove by readings which part is at fault, find a donor or an offer
that fits and may be used, and weigh used, remanufactured and new by cost and risk.

Work by the vehicle maker's procedure and local rules; these answers replace
neither. Air bags and pretensioners can kill: whoever works on them must be
trained and, where the law asks for it, licensed.`,
		Example: `  beltwright serve --demo
  beltwright decode 1M8GDM9AXKP042788 --market US
  beltwright donors --make Tarvena --model Solane --year 2006 --drive-side left \
    --body saloon --kind buckle-pretensioner --row 1 --side right --jurisdiction US-WA`,
		SilenceErrors: true,
		SilenceUsage:  true,
		Args:          noArguments,
		RunE:          func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	root.SetIn(streams.In)
	root.SetOut(streams.Out)
	root.SetErr(streams.Err)
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return usageError{err} })
	root.CompletionOptions.HiddenDefaultCmd = true
	connection := bindConnection(root)
	root.AddCommand(
		serveCommand(), gatewayCommand(), devcertsCommand(), storeCommand(), backupCommand(connection), healthCommand(connection),
		decodeCommand(connection), assessCommand(connection), importCommand(connection),
		donorsCommand(connection), decideCommand(connection), listingCommand(connection),
		explainCommand(connection), needCommand(connection), decisionCommand(connection),
		evidenceCommand(connection), attachmentCommand(connection),
		dialectsCommand(connection), jurisdictionsCommand(connection),
		catalogueCommand(connection), partsCommand(connection),
		quoteCommand(connection), planCommand(connection), outcomeCommand(connection), repairCommand(connection),
		booksCommand(connection), basketCommand(connection),
		taxCommand(connection), consignmentCommand(connection),
		peopleCommand(connection), sessionsCommand(connection), signInCommand(connection), signOutCommand(connection),
		keysCommand(connection), businessCommand(connection),
	)
	return root
}

// noArguments refuses arguments, as an error of the command line.
func noArguments(cmd *cobra.Command, args []string) error {
	if len(args) > 0 {
		return usageError{fmt.Errorf("%s takes no argument %q; see %s --help", cmd.CommandPath(), args[0], cmd.CommandPath())}
	}
	return nil
}

// arguments wants exactly these, named for the message.
func arguments(names ...string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) != len(names) {
			return usageError{fmt.Errorf("%s wants %v, %d given; see %s --help", cmd.CommandPath(), names, len(args), cmd.CommandPath())}
		}
		return nil
	}
}

// atMostOne wants one argument, named for the message, or none.
func atMostOne(name string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) > 1 {
			return usageError{fmt.Errorf("%s wants one %s at most, %d given; see %s --help", cmd.CommandPath(), name, len(args), cmd.CommandPath())}
		}
		return nil
	}
}
