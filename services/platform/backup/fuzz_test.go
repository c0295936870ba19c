package backup_test

import (
	"bytes"
	"errors"
	"os"
	"testing"

	"beltwright.example/services/platform/backup"
)

func writeOver(t *testing.T, path, content string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
		t.Fatal(err)
	}
}

// FuzzRead: whatever is read as a backup is one: its parts, written again as a tar
// archive in the same order, say the same.
func FuzzRead(f *testing.F) {
	f.Add([]byte("no backup"))
	f.Fuzz(func(t *testing.T, raw []byte) {
		got := &kept{}
		m, err := backup.Read(bytes.NewReader(raw), got)
		if err != nil {
			if m.Form != 0 || m.Side != "" {
				t.Errorf("%v, and yet %+v", err, m)
			}
			return
		}
		if int64(len(got.files)) != m.Files || (m.Side != backup.Fitment && m.Side != backup.Quote) || m.Form != 1 {
			t.Errorf("%d files, %+v", len(got.files), m)
		}
	})
}

// FuzzParseSet: a set that is taken prints as one that says the same.
func FuzzParseSet(f *testing.F) {
	f.Add([]byte(`{"form":1,"taken":"2026-11-25T20:00:00Z","archives":[]}`))
	f.Fuzz(func(t *testing.T, raw []byte) {
		set, err := backup.ParseSet(raw)
		if err != nil {
			return
		}
		again, err := set.Bytes()
		if err != nil {
			t.Fatal(err)
		}
		same, err := backup.ParseSet(again)
		if errors.Is(err, backup.ErrNoBackup) || len(same.Archives) != len(set.Archives) || !same.Taken.Equal(set.Taken) {
			t.Errorf("%+v came back as %+v, %v", set, same, err)
		}
	})
}
