package files

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"beltwright.example/services/store"
)

var _ store.FileLister = (*Files)(nil)

// Each implements store.FileLister.
func (f *Files) Each(ctx context.Context, do func(tenant string, file store.File) error) error {
	folders, err := os.ReadDir(f.dir)
	if err != nil {
		return fmt.Errorf("files %s: %w", f.dir, err)
	}
	for _, folder := range folders {
		tenant, ours := strings.CutPrefix(folder.Name(), tenantMark)
		if !ours || !folder.IsDir() {
			continue
		}
		err := filepath.WalkDir(f.path(folder.Name()), func(_ string, entry fs.DirEntry, err error) error {
			if err := errors.Join(err, ctx.Err()); err != nil || entry.IsDir() {
				return err
			}
			info, err := entry.Info()
			if err != nil {
				return fmt.Errorf("files %s: %w", f.dir, err)
			}
			return do(tenant, store.File{SHA256: entry.Name(), Size: info.Size()})
		})
		if err != nil {
			return err
		}
	}
	return nil
}
