package e2e_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"

	"beltwright.example/services/platform/paper/papertest"
)

// public is where the program under test is told that others reach it.
const public = "https://parts.example.org"

// documentDesk is the program with a letterhead and an address for tags.
type documentDesk struct {
	client

	server, keyFile string
}

func openDocuments(t *testing.T) documentDesk {
	t.Helper()
	dir := t.TempDir()
	heads, data := filepath.Join(dir, "heads.json"), filepath.Join(dir, "data")
	if err := os.WriteFile(heads, []byte(`{"demo-shop":{"name":"Alder Road Garage","address":["12 Alder Road"],"phone":"555 0100"}}`), 0o600); err != nil {
		t.Fatal(err)
	}
	p := start(t, "beltwright", "serve", "--demo", "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--data", data, "--public-url", public, "--letterhead", heads)
	base := p.awaits(`REST\s+(http://127\.0\.0\.1:\d+)`)[1]
	server := p.awaits(`gRPC\s+(127\.0\.0\.1:\d+)`)[1]
	p.awaits("Try, in another terminal")
	keyFile := filepath.Join(data, "demo.key")
	key, err := os.ReadFile(keyFile)
	if err != nil {
		t.Fatal(err)
	}
	return documentDesk{client: client{t, base, strings.TrimSpace(string(key))}, server: server, keyFile: keyFile}
}

// fetch gets a document and its headers.
func (d documentDesk) fetch(path string) ([]byte, http.Header) {
	d.t.Helper()
	request, err := http.NewRequestWithContext(d.t.Context(), http.MethodGet, d.base+path, nil)
	if err != nil {
		d.t.Fatal(err)
	}
	request.Header.Set("Authorization", "Bearer "+d.key)
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		d.t.Fatal(err)
	}
	defer func() { _ = response.Body.Close() }()
	raw, err := io.ReadAll(response.Body)
	if err != nil || response.StatusCode != http.StatusOK {
		d.t.Fatalf("GET %s: %d %s, %v", path, response.StatusCode, raw, err)
	}
	return raw, response.Header
}

// command runs a client command and returns what it prints.
func (d documentDesk) command(args ...string) string {
	d.t.Helper()
	args = append([]string{"--server", d.server, "--key-file", d.keyFile}, args...)
	out, err := exec.CommandContext(d.t.Context(), filepath.Join(binaries, "beltwright"), args...).CombinedOutput()
	if err != nil {
		d.t.Fatalf("%v: %v\n%s", args, err, out)
	}
	return string(out)
}

func TestAQuoteIsPrinted(t *testing.T) {
	t.Parallel()
	d := openDocuments(t)
	q := at(t, d.post("/v1/quotes:prepare", quoteRequest(object{"requestId": uuid.NewString(), "reference": "=job"})), "quote")
	name, number := at(t, q, "name").(string), at(t, q, "number").(string)

	pdf, header := d.fetch("/v1/" + name + ":render?paper=LETTER")
	if header.Get("Content-Type") != "application/pdf" || !strings.Contains(header.Get("Content-Disposition"), ".pdf") {
		t.Errorf("headers %v", header)
	}
	papertest.Look(t, "served-quote", pdf)
	text := papertest.Flat(t, pdf)
	for _, want := range []string{"Alder Road Garage", "12 Alder Road", "KR-4821-R: used", "Quote " + number, "2006 Tarvena Solane saloon", "page 1 of", "highest bar", "total", "no legal advice"} {
		if !strings.Contains(text, want) {
			t.Errorf("it lacks %q: %s", want, text)
		}
	}

	sheet, _ := d.fetch("/v1/" + name + ":render?format=CSV")
	rows, err := csv.NewReader(bytes.NewReader(sheet)).ReadAll()
	if err != nil || len(rows) != 2 || !slices.Contains(rows[1], "'=job") {
		t.Errorf("%v, %v", rows, err)
	}
	raw, _ := d.fetch("/v1/" + name + ":render?format=JSON")
	var read object
	if err := json.Unmarshal(raw, &read); err != nil || at(t, read, "number") != number {
		t.Errorf("JSON: %v", err)
	}

	file := filepath.Join(t.TempDir(), "quote.pdf")
	said := d.command("quote", "print", name, "--paper", "letter", "-o", file)
	printed, err := os.ReadFile(file)
	if err != nil || !bytes.Equal(printed, pdf) || !strings.Contains(said, "application/pdf") {
		t.Errorf("the command printed other bytes than REST: %v, %s", err, said)
	}
}

// Colorado's words for a salvaged air bag, and none of those that it forbids (C.R.S.
// 42-9-109.5(1)(b)).
func TestAnAirBagInColoradoIsPrintedInItsWords(t *testing.T) {
	t.Parallel()
	d := openDocuments(t)
	request := quoteRequest(object{"requestId": uuid.NewString()})
	request["need"] = object{
		"vehicle": object{"make": "Tarvena", "model": "Solane", "modelYear": 2006, "driveSide": "LEFT", "body": "saloon", "market": "US"},
		"kind":    "SIDE_AIR_BAG", "position": object{"row": 1, "side": "RIGHT"}, "jurisdiction": "US-CO",
	}
	q := at(t, d.post("/v1/quotes:prepare", request), "quote")
	pdf, _ := d.fetch("/v1/" + at(t, q, "name").(string) + ":render")
	papertest.Look(t, "served-colorado", pdf)
	text := papertest.Flat(t, pdf)
	if !strings.Contains(text, "salvaged inflatable restraint system") || !strings.Contains(text, "I give the authorisation") {
		t.Errorf("the words that the law wants are missing: %s", text)
	}
	if found := regexp.MustCompile(`(?i).{30}\b(used|as\s+is)\b.{30}`).FindAllString(text, -1); found != nil {
		t.Errorf("forbidden words: %q", found)
	}
}

// The code on a tag opens the listing: what it says, behind the address that the
// program really has, answers it.
func TestATagOpensItsListing(t *testing.T) {
	t.Parallel()
	d := openDocuments(t)
	const name = "listings/kettlewick.SOLANE-1"
	file := filepath.Join(t.TempDir(), "tag.pdf")
	d.command("listing", "tag", name, "-o", file)
	pdf, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	read := papertest.Codes(t, papertest.Pages(t, "served-tag", pdf)[0])
	if len(read) != 1 {
		t.Fatalf("codes %q", read)
	}
	link, err := url.Parse(read[0])
	if err != nil || link.Scheme+"://"+link.Host != public {
		t.Fatalf("the code reads %s, %v", read[0], err)
	}
	if got := at(t, d.get(link.Path), "listing", "name"); got != name {
		t.Errorf("%s opens %v", link.Path, got)
	}
	overREST, header := d.fetch("/v1/" + name + ":renderTag")
	if !bytes.Equal(overREST, pdf) || header.Get("Content-Type") != "application/pdf" {
		t.Error("REST answers another tag than the command")
	}
	yard := client{t, d.base, keyMade.FindStringSubmatch(d.command("keys", "create", "--business", "kettlewick", "--role", "yard"))[2]}
	vin, _ := at(t, yard.get("/v1/"+name), "listing", "donor", "vin").(string)
	if len(vin) != 17 || strings.Contains(vin, "*") || strings.Contains(papertest.Flat(t, pdf), vin) {
		t.Errorf("the donor's VIN %q stands on the tag, or its yard does not see it", vin)
	}
	facts := filepath.Join(t.TempDir(), "facts.pdf")
	d.command("listing", "shipping", name, "--mode", "road", "-o", facts)
	if raw, err := os.ReadFile(facts); err != nil || !strings.Contains(papertest.Flat(t, raw), "Facts for the papers of a shipment") {
		t.Errorf("shipping facts: %v", err)
	}
}
