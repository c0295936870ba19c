package e2e_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestBasketOverREST(t *testing.T) {
	t.Parallel()
	_, c := serveDemo(t, filepath.Join(t.TempDir(), "data"))
	const path = "/v1/planning:solveBasket"
	body := `{"currencyCode":"USD","parts":["p1"],"sellers":[{"id":"s1","freight":"1250","offers":[{"part":"p1","price":"4500"}]}]}`
	got, err := json.Marshal(c.post(path, body))
	if want := `{"assignment":[{"part":"p1","seller":"s1"}],"bound":"5750","method":"branch and bound","nodes":1,"proven":true,"total":"5750","workings":[` +
		`{"formula":"45.00 + 12.50","number":"parts and freight from s1","value":"57.50"},{"formula":"57.50","number":"total","value":"57.50"}]}`; err != nil || string(got) != want {
		t.Errorf("got  %s, %v\nwant %s", got, err, want)
	}
	// Twenty parts from up to 200 sellers. The least cost is by GLPK 5.0 and CBC
	// 2.10.8; with one node only branch and bound cannot prove it, the subsets do.
	sample, err := os.ReadFile(filepath.Join("..", "..", "services", "quote", "basket", "testdata", "large-20x200.json"))
	if err != nil {
		t.Fatal(err)
	}
	for _, limit := range []string{`{`, `{"nodeLimit":1,`} {
		if answer := c.post(path, strings.Replace(string(sample), "{", limit, 1)); answer["total"] != "505605" || answer["proven"] != true {
			t.Errorf("%s: total %v, proven %v", limit, answer["total"], answer["proven"])
		}
	}
	for field, changed := range map[string]string{
		"parts[1]: \"p2\" is offered by no seller": strings.Replace(body, `["p1"]`, `["p1","p2"]`, 1),
		"sellers[0].freight":                       strings.Replace(body, `"1250"`, `"-1250"`, 1),
		"sellers[0].offers[0].part":                strings.Replace(body, `"part":"p1"`, `"part":"p9"`, 1),
		"timeLimitMs":                              strings.Replace(body, `{`, `{"timeLimitMs":20001,`, 1),
		"sellers[0].frieght":                       strings.Replace(body, `"freight"`, `"frieght"`, 1),
	} {
		code, answer := c.do(http.MethodPost, path, changed)
		name, what, _ := strings.Cut(field, ": ")
		if said := fmt.Sprint(answer["details"]); code != http.StatusBadRequest || !strings.Contains(said, name) || !strings.Contains(said, what) {
			t.Errorf("%s: %d %v", field, code, answer)
		}
	}
}
