package e2e_test

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"io/fs"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"github.com/google/uuid"
)

// raw sends a body as it is and returns the answer, unread.
func (c client) raw(method, path, kind string, body io.Reader) (*http.Response, error) {
	c.t.Helper()
	request, err := http.NewRequestWithContext(c.t.Context(), method, c.base+path, body)
	if err != nil {
		c.t.Fatal(err)
	}
	request.Header.Set("Authorization", "Bearer "+c.key)
	if kind != "" {
		request.Header.Set("Content-Type", kind)
	}
	return http.DefaultClient.Do(request)
}

// photo uploads a picture and returns its name.
func (c client) photo(content []byte) string {
	c.t.Helper()
	response, err := c.raw(http.MethodPost, "/v1/attachments", "image/jpeg", bytes.NewReader(content))
	if err != nil {
		c.t.Fatal(err)
	}
	defer func() { _ = response.Body.Close() }()
	var answer object
	if err := json.NewDecoder(response.Body).Decode(&answer); err != nil || response.StatusCode != http.StatusOK {
		c.t.Fatalf("upload: %d %v, %v", response.StatusCode, answer, err)
	}
	return fmt.Sprint(at(c.t, answer, "attachment", "name"))
}

// fetch downloads an attachment.
func (c client) fetch(name, query string) (int, []byte) {
	c.t.Helper()
	response, err := c.raw(http.MethodGet, "/v1/"+name+query, "", nil)
	if err != nil {
		c.t.Fatal(err)
	}
	defer func() { _ = response.Body.Close() }()
	content, err := io.ReadAll(response.Body)
	if err != nil {
		c.t.Fatal(err)
	}
	return response.StatusCode, content
}

func jpegOf(t *testing.T, side int) []byte {
	t.Helper()
	var out bytes.Buffer
	if err := jpeg.Encode(&out, image.NewGray(image.Rect(0, 0, side, side)), nil); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// news reads the watch of evidence requests, a line at a time.
func (c client) news(ctx context.Context, from string) func() object {
	c.t.Helper()
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, c.base+"/v1/evidenceRequests:watch?revision="+url.QueryEscape(from), nil)
	if err != nil {
		c.t.Fatal(err)
	}
	request.Header.Set("Authorization", "Bearer "+c.key)
	response, err := http.DefaultClient.Do(request)
	if err != nil || response.StatusCode != http.StatusOK {
		c.t.Fatalf("watch: %v, %v", response, err)
	}
	c.t.Cleanup(func() { _ = response.Body.Close() })
	lines := bufio.NewScanner(response.Body)
	return func() object {
		c.t.Helper()
		var line object
		if !lines.Scan() || json.Unmarshal(lines.Bytes(), &line) != nil {
			c.t.Fatalf("the watch ended: %v, %q", lines.Err(), lines.Text())
		}
		return line
	}
}

// donorsBy lists the demo's donors for the need by verdict.
func donorsBy(t *testing.T, c client) map[string][]object {
	t.Helper()
	found := map[string][]object{}
	for _, donor := range list(t, c.post("/v1/fitment:findDonors", object{"need": solane(), "pageSize": 100}), "donors") {
		verdict := fmt.Sprint(at(t, donor, "decision", "verdict"))
		found[verdict] = append(found[verdict], donor.(object))
	}
	return found
}

// TestEvidenceIsAskedForAndGiven is the job from "prove first" to "fits" over REST
// and on the command line: ask, be told, show a photo, decide again.
func TestEvidenceIsAskedForAndGiven(t *testing.T) {
	t.Parallel()
	data := filepath.Join(t.TempDir(), "data")
	p, c := serveDemo(t, data)
	donors := donorsBy(t, c)
	if len(donors["FITS"]) == 0 || len(donors["PROVE_FIRST"]) == 0 {
		t.Fatalf("the demo has %d donors that fit and %d to be proven", len(donors["FITS"]), len(donors["PROVE_FIRST"]))
	}
	name := fmt.Sprint(at(t, donors["PROVE_FIRST"][0], "listing", "name"))
	next := c.news(t.Context(), "")
	if first := next(); first["evidenceRequest"] != nil || first["revision"] == "" {
		t.Errorf("at the start: %v", first)
	}

	asked := at(t, c.post("/v1/evidenceRequests", object{"listing": name, "need": solane(), "requestId": uuid.NewString()}), "evidenceRequest")
	request := fmt.Sprint(at(t, asked, "name"))
	if at(t, asked, "state") != "OPEN" || at(t, asked, "askedVerdict") != "PROVE_FIRST" || len(list(t, asked, "attributes")) == 0 ||
		!strings.Contains(fmt.Sprint(at(t, asked, "text")), "1. Please ") {
		t.Errorf("asked %v", asked)
	}
	if told := next(); at(t, told, "evidenceRequest", "name") != request || at(t, told, "evidenceRequest", "state") != "OPEN" {
		t.Errorf("told %v", told)
	}

	content := jpegOf(t, 600)
	photo := c.photo(content)
	given := goodStatements(t, asked, donors["FITS"][0], photo)
	answer := c.post("/v1/"+request+":answer", object{"evidence": given, "answer": "here you are", "requestId": uuid.NewString()})
	if at(t, answer, "evidenceRequest", "state") != "ANSWERED" || at(t, answer, "evidenceRequest", "answeredVerdict") != "FITS" {
		t.Errorf("answered %v with %v", at(t, answer, "evidenceRequest"), given)
	}
	told := next()
	if at(t, told, "evidenceRequest", "state") != "ANSWERED" || at(t, told, "evidenceRequest", "answeredVerdict") != "FITS" {
		t.Errorf("told %v", told)
	}
	if got := at(t, c.get("/v1/"+request), "decision", "verdict"); got != "FITS" {
		t.Errorf("the decision is now %v", got)
	}
	if code, got := c.fetch(photo, "?listing="+name); code != http.StatusOK || !bytes.Equal(got, content) {
		t.Errorf("the photo: %d, %d of %d bytes", code, len(got), len(content))
	}
	onTheCommandLine(t, p, data, request, photo, content)
	// Going on from what was told, over another connection, tells nothing twice.
	if again := c.news(t.Context(), fmt.Sprint(told["revision"]))(); again["evidenceRequest"] != nil {
		t.Errorf("told twice: %v", again)
	}
	p.signal(syscall.SIGTERM)
	if code := p.exits(); code != 0 {
		t.Errorf("with a watch open, SIGTERM ended with exit code %d, want 0", code)
	}
}

// goodStatements answers everything that is asked for as a listing that fits says
// it, with the photo.
func goodStatements(t *testing.T, asked any, good object, photo string) []any {
	t.Helper()
	var given []any
	for _, attribute := range list(t, asked, "attributes") {
		for _, e := range list(t, good, "listing", "evidence") {
			statement := e.(object)
			if statement["attribute"] == attribute && statement["level"] != "CLAIMED" {
				statement["attachments"] = []string{photo}
				given = append(given, statement)
			}
		}
	}
	return given
}

// onTheCommandLine looks at the same with the client commands.
func onTheCommandLine(t *testing.T, p *process, data, request, photo string, content []byte) {
	t.Helper()
	address := p.awaits(`gRPC\s+(127\.0\.0\.1:\d+)`)[1]
	run := func(args ...string) string {
		t.Helper()
		args = append(args, "--server", address, "--key-file", filepath.Join(data, "demo.key"))
		out, err := exec.CommandContext(t.Context(), filepath.Join(binaries, "beltwright"), args...).CombinedOutput()
		if err != nil {
			t.Fatalf("%v: %v\n%s", args, err, out)
		}
		return string(out)
	}
	if out := run("evidence", "list", "--state", "answered"); !strings.Contains(out, request) {
		t.Errorf("evidence list: %s", out)
	}
	if out := run("evidence", "show", request); !strings.Contains(out, "here you are") || !strings.Contains(out, "now: ● fits") {
		t.Errorf("evidence show: %s", out)
	}
	if out := run("evidence", "watch", "--once"); !strings.Contains(out, "answered   "+request) {
		t.Errorf("evidence watch: %s", out)
	}
	path := filepath.Join(t.TempDir(), "photo.jpg")
	run("attachment", "get", photo, "--out", path)
	if got, err := os.ReadFile(path); err != nil || !bytes.Equal(got, content) {
		t.Errorf("attachment get: %d bytes, %v", len(got), err)
	}
	if out := run("attachment", "put", path); !strings.Contains(out, photo) {
		t.Errorf("the same content again: %s", out)
	}
}

// TestKillInTheMiddleOfAnUpload kills the program again and again while it takes
// photos over REST: each one that was acknowledged is there afterwards, whole, and
// nothing is left of the others.
func TestKillInTheMiddleOfAnUpload(t *testing.T) {
	t.Parallel()
	const kills = 6
	data := filepath.Join(t.TempDir(), "data")
	acknowledged := map[string][]byte{}
	torn := 0
	for round := range kills + 1 {
		p := start(t, "beltwright", "serve", "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--data", data, "--key-file", data+".key")
		c := client{t, p.awaits(`REST\s+(http://127\.0\.0\.1:\d+)`)[1], ""}
		key, err := os.ReadFile(data + ".key")
		if err != nil {
			t.Fatal(err)
		}
		c.key = strings.TrimSpace(string(key))
		if left := filesIn(t, filepath.Join(data, "fitment", "files")); len(left) != len(acknowledged) {
			t.Fatalf("round %d: %d files for %d acknowledged photos: %v", round, len(left), len(acknowledged), left)
		}
		for name, content := range acknowledged {
			if code, got := c.fetch(name, ""); code != http.StatusOK || !bytes.Equal(got, content) {
				t.Fatalf("round %d: %s: %d, %d of %d bytes", round, name, code, len(got), len(content))
			}
		}
		if round == kills {
			break // only to look at what the last kill left
		}
		for i := range 3 {
			content := append(jpegOf(t, 50), fmt.Sprint(round, i)...)
			name := c.photo(content)
			sum := sha256.Sum256(content)
			if !strings.HasSuffix(name, "."+hex.EncodeToString(sum[:])) {
				t.Fatalf("%s is no name of this content", name)
			}
			acknowledged[name] = content
		}
		torn += killWhileUploading(t, p, c, filepath.Join(data, "fitment", "files"), jpegOf(t, 50), 100_000*(1+round*round*2))
	}
	if torn != kills {
		t.Errorf("%d of %d kills came with a photo half stored: the hard case did not happen each time", torn, kills)
	}
	t.Logf("%d kills, %d acknowledged photos, none lost; %d torn ones removed", kills, len(acknowledged), torn)
}

// killWhileUploading sends the beginning of a photo and, once some of it is stored,
// kills the program. It returns how many unfinished files that leaves.
func killWhileUploading(t *testing.T, p *process, c client, dir string, head []byte, size int) int {
	t.Helper()
	before := len(filesIn(t, dir))
	from, to := io.Pipe()
	go func() {
		_, err := to.Write(slices.Concat(head, bytes.Repeat([]byte{'x'}, size)))
		for err == nil && len(filesIn(t, dir)) == before { // it lies in memory still
			_, err = to.Write(bytes.Repeat([]byte{'x'}, 1000))
		}
		if killErr := p.command.Process.Kill(); killErr != nil {
			t.Error(killErr)
		}
		<-p.done
		to.CloseWithError(io.ErrUnexpectedEOF)
	}()
	if response, err := c.raw(http.MethodPost, "/v1/attachments", "image/jpeg", from); err == nil {
		_ = response.Body.Close()
		t.Errorf("answered %d although it never ended", response.StatusCode)
	}
	<-p.done
	return len(filesIn(t, dir)) - before
}

// filesIn lists the files below a folder.
func filesIn(t *testing.T, dir string) []string {
	t.Helper()
	var found []string
	err := filepath.WalkDir(dir, func(path string, entry fs.DirEntry, err error) error {
		if err == nil && !entry.IsDir() {
			found = append(found, path)
		}
		return err
	})
	if err != nil {
		t.Error(err)
	}
	return found
}
