package e2e_test

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// upload sends a CSV file and hands on each line of the answer.
func (c client) upload(path, csv string, line func(object) bool) error {
	c.t.Helper()
	request, err := http.NewRequestWithContext(c.t.Context(), http.MethodPost, c.base+path, strings.NewReader(csv))
	if err != nil {
		c.t.Fatal(err)
	}
	request.Header.Set("Authorization", "Bearer "+c.key)
	request.Header.Set("Content-Type", "text/csv")
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		return err
	}
	defer func() { _ = response.Body.Close() }()
	if response.StatusCode != http.StatusOK {
		raw, _ := io.ReadAll(response.Body)
		return fmt.Errorf("status %d: %s", response.StatusCode, raw)
	}
	lines := bufio.NewScanner(response.Body)
	for lines.Scan() {
		var answer object
		if err := json.Unmarshal(lines.Bytes(), &answer); err != nil {
			return err // cut off in the middle of a line
		}
		if !line(answer) {
			return nil
		}
	}
	return lines.Err()
}

const stockHeader = "stock_number,kind,row,side,part_maker,part_number,price,currency\n"

func stockRow(stock string) string {
	return stock + ",clock spring,1,left,Korrin,KR-4941-L,70.00,USD\n"
}

func badRowsLoseNothing(t *testing.T, c client) {
	t.Helper()
	csv := stockHeader + stockRow("T-1") + "T-2,flux capacitor,1,left,Korrin,KR-4941-L,70.00,USD\n" +
		"T-3,clock spring,1,left,Korrin,KR-4941-L,-5,USD\n" + stockRow("T-4")
	sums := func() (outcomes []string, summary object, problems string) {
		err := c.upload("/v1/listings:import", csv, func(answer object) bool {
			if sum, ok := answer["summary"].(object); ok {
				summary = sum
				return true
			}
			outcomes = append(outcomes, fmt.Sprint(answer["row"], answer["outcome"]))
			problems += fmt.Sprint(answer["problems"])
			return true
		})
		if err != nil {
			t.Fatal(err)
		}
		return outcomes, summary, problems
	}
	outcomes, summary, problems := sums()
	if got := strings.Join(outcomes, " "); got != "2CREATED 3REJECTED 4REJECTED 5CREATED" {
		t.Errorf("rows: %s", got)
	}
	if !strings.Contains(problems, "kind") || !strings.Contains(problems, "price") || !strings.Contains(problems, "expected") {
		t.Errorf("problems: %s", problems)
	}
	if summary["created"] != 2.0 || summary["rejected"] != 2.0 {
		t.Errorf("summary: %v", summary)
	}
	if outcomes, _, _ := sums(); strings.Join(outcomes, " ") != "2UNCHANGED 3REJECTED 4REJECTED 5UNCHANGED" {
		t.Errorf("the same file again: %v", outcomes)
	}
}

// TestKillInTheMiddleOfAnImport kills the program 20 times while it imports:
// every row that was answered before must be there afterwards.
func TestKillInTheMiddleOfAnImport(t *testing.T) {
	t.Parallel()
	const kills, rows = 20, 20_000
	data := filepath.Join(t.TempDir(), "data")
	var csv strings.Builder
	csv.WriteString(stockHeader)
	for n := range rows {
		csv.WriteString(stockRow(fmt.Sprintf("K-%05d", n)))
	}
	acknowledged := map[string]bool{}
	ahead := 0 // kills that hit between storing a row and its answer
	for round := range kills + 1 {
		p := start(t, "beltwright", "serve", "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--data", data, "--key-file", data+".key")
		c := client{t, p.awaits(`REST\s+(http://127\.0\.0\.1:\d+)`)[1], ""}
		key, err := os.ReadFile(data + ".key")
		if err != nil {
			t.Fatal(err)
		}
		c.key = strings.TrimSpace(string(key))
		stored := storedListings(t, c)
		for name := range acknowledged {
			if !stored[name] {
				t.Fatalf("round %d: %s was acknowledged and is gone", round, name)
			}
		}
		if len(stored) > len(acknowledged) {
			ahead++
		}
		if round == kills {
			break // only to look at what the last kill left
		}
		seen := 0
		// Each round imports the whole file again: rows already stored answer
		// UNCHANGED, so the kill comes later in the file each time.
		limit := 100 + round*900
		err = c.upload("/v1/listings:import", csv.String(), func(answer object) bool {
			if name, ok := answer["name"].(string); ok {
				acknowledged[name] = true
			}
			if seen++; seen == limit {
				p.signal(syscall.SIGKILL)
			}
			return true
		})
		if err == nil || seen >= rows {
			t.Fatalf("round %d: %d of %d rows were answered (%v): the kill came after the import", round, seen, rows, err)
		}
		<-p.done
	}
	if ahead == 0 {
		t.Errorf("none of %d kills came between storing rows and answering them: the hard case did not happen", kills)
	}
	t.Logf("%d kills, %d of them between storing and answering, %d acknowledged rows, none lost", kills, ahead, len(acknowledged))
}

// storedListings reads the whole stock back.
func storedListings(t *testing.T, c client) map[string]bool {
	t.Helper()
	stored := map[string]bool{}
	token := ""
	for {
		page := c.get("/v1/listings?pageSize=1000&pageToken=" + token)
		for _, item := range list(t, page, "listings") {
			stored[fmt.Sprint(at(t, item, "name"))] = true
		}
		if token, _ = page["nextPageToken"].(string); token == "" {
			return stored
		}
	}
}
