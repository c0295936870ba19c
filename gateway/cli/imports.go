package cli

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"
	"golang.org/x/term"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"beltwright.example/gateway/upload"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/platform/answers"
	"beltwright.example/services/platform/imports"
	"beltwright.example/services/quote/offers"
)

func importCommand(c *connection) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "import",
		Short: "Read parts, supersessions, vehicle data, recalls, listings or offers from CSV",
		Long: `Import reads a CSV file row by row. A bad row is reported with its line, its column
and what would be right, and neither stops nor loses the good ones. The same file a
second time changes nothing. The command fails where rows were rejected.`,
		Example: "  beltwright import listings stock.csv --dry-run",
		Args:    noArguments,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	columns := map[string][]imports.Column{
		"parts": catalogue.PartsTarget().Columns, "supersessions": catalogue.SupersessionsTarget().Columns,
		"recalls": catalogue.RecallsTarget().Columns, "listings": listing.Columns(), "offers": offers.Target().Columns,
		"vehicle-data": catalogue.VehicleDataTarget().Columns,
	}
	for _, kind := range upload.Kinds() {
		cmd.AddCommand(importOne(c, kind, columns[kind.Name]))
	}
	return cmd
}

func importOne(c *connection, kind upload.Kind, columns []imports.Column) *cobra.Command {
	options := &fitmentv1.ImportOptions{}
	cmd := &cobra.Command{
		Use:     kind.Name + " FILE",
		Short:   "Read " + kind.Name + " from CSV",
		Long:    "Read " + kind.Name + ` from a CSV file ("-" is standard input). The first line names the columns:` + "\n\n" + columnHelp(columns),
		Example: "  beltwright import " + kind.Name + " " + kind.Name + ".csv",
		Args:    arguments("FILE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return c.importFile(cmd, kind, options, args[0])
		},
	}
	cmd.Flags().BoolVar(&options.DryRun, "dry-run", false, "check the rows and say what would happen, but store nothing")
	cmd.Flags().StringVar(&options.Owner, "owner", "", "business that owns the rows, where the operator imports for another")
	return cmd
}

func columnHelp(columns []imports.Column) string {
	var text strings.Builder
	for _, column := range columns {
		mark := ""
		if column.Required {
			mark = " (needed)"
		}
		fmt.Fprintf(&text, "  %-30s %s%s\n", column.Name, column.Help, mark)
	}
	return text.String()
}

func (c *connection) importFile(cmd *cobra.Command, kind upload.Kind, options *fitmentv1.ImportOptions, path string) (err error) {
	file, size, err := openInput(cmd, path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	ctx, conn, err := c.open(cmd.Context())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	var from io.Reader = file
	if bar := progress(cmd.ErrOrStderr(), size, "importing"); bar != nil {
		reader := progressbar.NewReader(file, bar)
		from = &reader
		defer func() { err = errors.Join(err, bar.Finish()) }()
	}
	summary, err := runImport(ctx, conn, kind, options, from, func(row *fitmentv1.RowResult) error { return c.showRow(cmd, row) })
	if err != nil {
		return err
	}
	if err := c.showSummary(cmd, summary); err != nil {
		return err
	}
	if n := summary.GetRejected(); n > 0 {
		return fmt.Errorf("%d of %d rows were rejected; mend them and import the file again: rows that are stored already change nothing", n, summary.GetRows())
	}
	return nil
}

// openInput opens a file and says how large it is; -1 where nobody knows.
func openInput(cmd *cobra.Command, path string) (io.ReadCloser, int64, error) {
	if path == "-" {
		return io.NopCloser(cmd.InOrStdin()), -1, nil
	}
	file, err := os.Open(path) //nolint:gosec // a file that the user named
	if err != nil {
		return nil, 0, fmt.Errorf("open the file: %w", err)
	}
	info, err := file.Stat()
	if err != nil {
		return nil, 0, errors.Join(fmt.Errorf("open the file: %w", err), file.Close())
	}
	return file, info.Size(), nil
}

// progress is a bar on a terminal, of a size in bytes or -1 where nobody knows; nil
// elsewhere.
func progress(w io.Writer, size int64, doing string) *progressbar.ProgressBar {
	terminal, ok := w.(*os.File)
	if !ok || !term.IsTerminal(int(terminal.Fd())) {
		return nil
	}
	return progressbar.NewOptions64(size,
		progressbar.OptionSetWriter(w), progressbar.OptionShowBytes(true), progressbar.OptionClearOnFinish(),
		progressbar.OptionSetDescription(doing))
}

// runImport sends a file and hands every row's result on.
func runImport(
	ctx context.Context, conn grpc.ClientConnInterface, kind upload.Kind, options *fitmentv1.ImportOptions, from io.Reader,
	row func(*fitmentv1.RowResult) error,
) (*fitmentv1.ImportSummary, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := upload.Open(ctx, conn, kind, options)
	if err != nil {
		return nil, err
	}
	sent := make(chan error, 1)
	go func() {
		err := stream.Copy(from)
		sent <- err
		if err != nil {
			cancel() // otherwise the server waits for the rest, and we for it
		}
	}()
	for {
		result, summary, err := stream.Receive()
		switch {
		case err != nil:
			return nil, whyEnded(err, sent)
		case summary != nil:
			return summary, nil
		}
		if err := row(result); err != nil {
			return nil, err
		}
	}
}

// whyEnded prefers what went wrong with the file to what the stream says about
// it. It does not wait: a file may be a terminal.
func whyEnded(err error, sent <-chan error) error {
	select {
	case problem := <-sent:
		return cmp.Or(problem, err)
	default:
		return err
	}
}

// showRow prints a row's result: all of them as JSON, only the bad ones as text.
func (c *connection) showRow(cmd *cobra.Command, row *fitmentv1.RowResult) error {
	if c.asJSON {
		return jsonLine(cmd.OutOrStdout(), row)
	}
	if row.GetOutcome() != fitmentv1.RowResult_REJECTED {
		return nil
	}
	p := &printer{out: cmd.OutOrStdout()}
	for _, problem := range row.GetProblems() {
		p.linef("row %d, %s: %s; expected %s", row.GetRow(), problem.GetField(), problem.GetProblem(), problem.GetExpected())
	}
	return p.err
}

func (c *connection) showSummary(cmd *cobra.Command, s *fitmentv1.ImportSummary) error {
	if c.asJSON {
		raw, err := answers.JSON(s)
		if err != nil {
			return err
		}
		// The form in which REST ends an import.
		_, err = fmt.Fprintf(cmd.OutOrStdout(), "{\"summary\":%s}\n", raw)
		return err
	}
	p := &printer{out: cmd.OutOrStdout()}
	p.linef("%s: %d new, %d changed, %d unchanged, %d rejected", rowCount(s.GetRows()), s.GetCreated(), s.GetUpdated(), s.GetUnchanged(), s.GetRejected())
	if s.GetDryRun() {
		p.linef("dry run: nothing was stored")
	}
	return p.err
}

func jsonLine(w io.Writer, message proto.Message) error {
	raw, err := answers.JSON(message)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintln(w, string(raw))
	return err
}

// rowCount counts rows in words.
func rowCount(n int32) string {
	if n == 1 {
		return "1 row"
	}
	return fmt.Sprintf("%d rows", n)
}
