package rest

import (
	"net/http"
	"time"

	"beltwright.example/services/platform/answers"
)

// lines is an answer of JSON lines that leaves while it is made. Each write gets
// its own time.
type lines struct {
	writer     http.ResponseWriter
	controller *http.ResponseController
	stall      time.Duration
	wrote      bool
}

func newLines(w http.ResponseWriter, stall time.Duration) lines {
	return lines{writer: w, controller: http.NewResponseController(w), stall: stall}
}

func (l *lines) write(raw []byte) error {
	if !l.wrote {
		l.wrote = true
		l.writer.Header().Set("Content-Type", "application/x-ndjson")
		l.writer.WriteHeader(http.StatusOK)
	}
	_ = l.controller.SetWriteDeadline(time.Now().Add(l.stall))
	_, err := l.writer.Write(append(raw, '\n'))
	return err
}

func (l *lines) flush() error {
	if !l.wrote {
		return nil
	}
	_ = l.controller.SetWriteDeadline(time.Now().Add(l.stall))
	return l.controller.Flush()
}

// fail ends the answer with an error: as the last line, or, where no line was
// written, as an ordinary error answer.
func (l *lines) fail(problem error) {
	_ = l.controller.SetWriteDeadline(time.Now().Add(l.stall))
	if !l.wrote {
		writeError(l.writer, problem)
		_ = l.controller.Flush()
		return
	}
	raw, err := answers.JSON(explained(problem))
	if err != nil {
		raw = []byte(`{"code":13,"message":"the error cannot be written"}`)
	}
	if l.write(append(append([]byte(`{"error":`), raw...), '}')) == nil {
		_ = l.flush()
	}
}
