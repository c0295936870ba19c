// Command vulnerabilities reads what govulncheck says with -format json from its input
// and lists the findings. It fails where one is in a module: findings in Go itself are
// only listed.
package main

import (
	"errors"
	"fmt"
	"io"
	"os"

	"beltwright.example/deploy/check"
)

func main() {
	if err := report(os.Stdin, os.Stdout); err != nil {
		_, _ = fmt.Fprintln(os.Stderr, "vulnerabilities:", err)
		os.Exit(1) //nolint:forbidigo // main is where the process ends
	}
}

var errBlocked = errors.New("modules with known vulnerabilities are used; take a version that mends them")

func report(in io.Reader, out io.Writer) error {
	list, err := check.Findings(in)
	if err != nil {
		return err
	}
	for _, f := range list {
		if _, err := fmt.Fprintln(out, f); err != nil {
			return err
		}
	}
	blocking := check.Blocking(list)
	if _, err := fmt.Fprintf(out, "findings in modules: %d, in Go itself: %d\n", len(blocking), len(list)-len(blocking)); err != nil {
		return err
	}
	if len(blocking) > 0 {
		return errBlocked
	}
	return nil
}
