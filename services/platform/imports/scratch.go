package imports

import (
	"crypto/sha256"
	"fmt"
	"os"
	"time"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/store"
)

const (
	// scratchBytes bounds what a dry run keeps aside.
	scratchBytes = 1 << 30
	// dryRuns bounds the dry runs at one time, and with it the temporary space
	// that they can fill.
	dryRuns = 4
	// dryRunWait is when to try again where too many are running.
	dryRunWait = 5 * time.Second
)

// running counts the dry runs of this process: they share one temporary
// directory, whichever server they belong to.
var running = make(chan struct{}, dryRuns)

// scratch keeps the records that a dry run would have stored in a temporary
// file, so that a row that repeats an earlier one is answered as in the real
// run, without the file's size in memory.
type scratch struct {
	file  *os.File
	named bool // the file still has its name
	end   int64
	spans map[[16]byte]span
}

type span struct {
	at   int64
	size int
}

// newScratch takes one of the places for dry runs, which close gives back.
func newScratch() (*scratch, error) {
	select {
	case running <- struct{}{}:
	default:
		return nil, apierr.Retry(codes.ResourceExhausted, fitmentv1.ErrorInfo_LIMIT_REACHED, dryRunWait,
			"%d dry runs are under way already: try again in a moment, or import without one", dryRuns)
	}
	f, err := os.CreateTemp("", "beltwright-dry-run-")
	if err != nil {
		<-running
		return nil, fmt.Errorf("import: dry run: %w", err)
	}
	// Without a name, the space is free again however this process ends. Windows
	// does not remove open files; there, close does.
	return &scratch{file: f, named: os.Remove(f.Name()) != nil, spans: map[[16]byte]span{}}, nil
}

func (s *scratch) close() {
	// Nothing in the file is needed any more, and nobody waits for an answer.
	_ = s.file.Close()
	if s.named {
		_ = os.Remove(s.file.Name())
	}
	<-running
}

func scratchKey(key store.Key) [16]byte {
	sum := sha256.Sum256([]byte(key.Tenant + "\x00" + key.Kind + "\x00" + key.ID))
	return [16]byte(sum[:16])
}

func (s *scratch) get(key store.Key) ([]byte, bool, error) {
	found, ok := s.spans[scratchKey(key)]
	if !ok {
		return nil, false, nil
	}
	value := make([]byte, found.size)
	if _, err := s.file.ReadAt(value, found.at); err != nil {
		return nil, false, fmt.Errorf("dry run: %w", err)
	}
	return value, true, nil
}

func (s *scratch) put(heads []*head) error {
	var block []byte
	for _, h := range heads {
		s.spans[scratchKey(h.key)] = span{at: s.end + int64(len(block)), size: len(h.value)}
		block = append(block, h.value...)
	}
	if s.end+int64(len(block)) > scratchBytes {
		return apierr.New(codes.ResourceExhausted, fitmentv1.ErrorInfo_LIMIT_REACHED,
			"the dry run would change more than %d MiB of records: try the file in pieces, or import it", scratchBytes>>20)
	}
	n, err := s.file.WriteAt(block, s.end)
	s.end += int64(n)
	if err != nil {
		return fmt.Errorf("dry run: %w", err)
	}
	return nil
}
