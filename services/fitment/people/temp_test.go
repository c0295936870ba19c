package people_test

import (
	"os"

	"pgregory.net/rapid"
)

// tempDir is a folder that ends with a round of a property.
func tempDir(t *rapid.T) string {
	dir, err := os.MkdirTemp("", "people-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return dir
}
