package embedded

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// Exists tells whether there is a store in a directory, without opening it.
func Exists(dir string) (bool, error) {
	_, err := os.Stat(filepath.Join(dir, fileName))
	switch {
	case err == nil:
		return true, nil
	case errors.Is(err, fs.ErrNotExist):
		return false, nil
	}
	return false, fmt.Errorf("look for a store: %w", err)
}
