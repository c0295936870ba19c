// Command licences writes the list of what the programs are made of, and the texts
// that go with them, into deploy/LICENCES.md and deploy/NOTICES.txt. Run it with
// "go run -C deploy/check ./licences" whenever a dependency changes.
package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"

	"beltwright.example/deploy/check"
)

func main() {
	if err := write(context.Background(), filepath.Join("..", "..")); err != nil {
		_, _ = fmt.Fprintln(os.Stderr, "licences:", err)
		os.Exit(1) //nolint:forbidigo // main is where the process ends
	}
}

// write writes both files of the source tree in root.
func write(ctx context.Context, root string) error {
	list, err := check.Licences(ctx, root, check.Shipped...)
	if err != nil {
		return err
	}
	if err := check.Allowed(list); err != nil {
		return err
	}
	for name, text := range map[string]string{"LICENCES.md": check.Table(list), "NOTICES.txt": check.Notices(list)} {
		if err := os.WriteFile(filepath.Join(root, "deploy", name), []byte(text), 0o644); err != nil { //nolint:gosec // for everybody to read
			return err
		}
	}
	return nil
}
