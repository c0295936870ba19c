package e2e_test

import (
	"bytes"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"beltwright.example/services/quote/tax"
)

// fourOffers are offers of which all 65 policies are known (computed as exact
// fractions); see TestPlanningExample.
const fourOffers = `{"currencyCode":"USD","dayCost":"0","fallback":{"price":"40000","days":0},"offers":[
{"id":"A","price":"18000","sunk":"5500","returnLoss":"3000","passProbability":0.85,"days":3},
{"id":"B","price":"12000","sunk":"5000","returnLoss":"4500","passProbability":0.60,"days":5},
{"id":"C","price":"21000","sunk":"3500","returnLoss":"2000","passProbability":0.95,"days":4},
{"id":"D","price":"9000","sunk":"6000","returnLoss":"9000","passProbability":0.40,"days":2}]}`

func TestPlanningOverREST(t *testing.T) {
	t.Parallel()
	_, c := serveDemo(t, filepath.Join(t.TempDir(), "data"))
	choicesAreWeighed(t, c)
	consignmentsAreJudged(t, c)
	taxPacksAreListed(t, c)
	demoShowsShippingAndOldParts(t, c)
}

func choicesAreWeighed(t *testing.T, c client) {
	t.Helper()
	const path = "/v1/planning:weighChoices"
	trade := at(t, c.post(path, `{"problem":`+fourOffers+`,"limits":{"maxCvar":"31540"}}`), "tradeOff")
	if at(t, trade, "policies") != "65" {
		t.Errorf("%v policies", at(t, trade, "policies"))
	}
	var points []string
	for _, point := range list(t, trade, "points") {
		text := ""
		for _, batch := range list(t, point, "batches") {
			text += fmt.Sprint(at(t, batch, "ids", 0))
		}
		points = append(points, fmt.Sprint(text, " ", at(t, point, "expectedCost"), " ", at(t, point, "cvar95")))
	}
	if got := strings.Join(points, " · "); got != "CBAD 24792 31540 · CABD 24835 31190 · CAB 24838 31250" {
		t.Errorf("within the limit: %s", got)
	}
	for field, body := range map[string]string{
		"problem.offers[1].price": strings.Replace(`{"problem":`+fourOffers+`}`, `"12000"`, `"-12000"`, 1),
		"limits.minLowerBound":    `{"problem":` + fourOffers + `,"limits":{"minLowerBound":1}}`,
		"problem":                 `{}`,
		"problem.offer":           strings.Replace(`{"problem":`+fourOffers+`}`, `"offers"`, `"offer"`, 1),
	} {
		if code, answer := c.do(http.MethodPost, path, body); code != http.StatusBadRequest || !strings.Contains(fmt.Sprint(answer["details"]), field) {
			t.Errorf("%s: %d %v", field, code, answer)
		}
	}
}

// consignmentsAreJudged by 49 CFR 172.101, entry UN3268: at most 25 kg with
// passengers.
func consignmentsAreJudged(t *testing.T, c client) {
	t.Helper()
	const path = "/v1/planning:judgeConsignment"
	bag := object{"unNumber": "UN3268", "inComponent": "NO", "mode": "PASSENGER_AIRCRAFT", "grossGrams": "25000", "trainedShipper": "YES", "tested": "YES"}
	if answer := c.post(path, bag); answer["allowed"] != "YES" || answer["handling"] != true || len(list(t, answer, "papers")) == 0 {
		t.Errorf("25 kg: %v", answer)
	}
	bag["grossGrams"] = "26000"
	if answer := c.post(path, bag); answer["allowed"] != "NO" || !strings.Contains(fmt.Sprint(at(t, answer, "reasons", 0, "source")), "172.101") {
		t.Errorf("26 kg: %v", answer)
	}
	if answer := c.post(path, object{"mode": "ROAD"}); answer["allowed"] != "UNKNOWN" {
		t.Errorf("nothing known: %v", answer)
	}
	if code, answer := c.do(http.MethodPost, path, object{"unNumber": "3268"}); code != http.StatusBadRequest || !strings.Contains(fmt.Sprint(answer["details"]), "unNumber") {
		t.Errorf("%d %v", code, answer)
	}
}

func taxPacksAreListed(t *testing.T, c client) {
	t.Helper()
	packs := list(t, c.get("/v1/planning/taxPacks"), "packs")
	if len(packs) < 4 || at(t, packs[0], "place") != "US-CA" {
		t.Errorf("packs %v", packs)
	}
	if ohio := c.get("/v1/planning/taxPacks?place=US-OH"); len(list(t, ohio, "packs")) != 1 || at(t, ohio, "packs", 0, "place") != "US-OH" {
		t.Errorf("Ohio: %v", ohio)
	}
	if code, answer := c.do(http.MethodGet, "/v1/planning/taxPacks?place=Ohio", nil); code != http.StatusBadRequest || !strings.Contains(fmt.Sprint(answer["details"]), "place") {
		t.Errorf("%d %v", code, answer)
	}
}

// demoShowsShippingAndOldParts in a quote over the demo's stock and price lists.
func demoShowsShippingAndOldParts(t *testing.T, c client) {
	t.Helper()
	quote := at(t, c.post("/v1/quotes:prepare", quoteRequest(object{"dryRun": true})), "quote")
	options := map[string]any{}
	for _, option := range list(t, quote, "options") {
		options[fmt.Sprint(at(t, option, "source"))] = option
		if said := fmt.Sprint(at(t, option, "transport")); !strings.Contains(said, "class 9") {
			t.Errorf("%v says %q of its transport", at(t, option, "source"), said)
		}
	}
	// 16.50 and 2.00 for the one kilogram that 700 g begin.
	if freight := at(t, options["listings/brindlefen.SOLANE-4"], "freight"); freight != "1850" {
		t.Errorf("freight %v", freight)
	}
	// A deposit of 50.00 of which the lawful freight of the live old part takes 18.50.
	reman := options["offers/farrowtull-works.FT-4821-0R"]
	if at(t, reman, "coreDeposit") != "5000" || at(t, reman, "coreRefund") != "3150" || at(t, reman, "coreDays") != 30.0 || at(t, reman, "warrantyDays") != 365.0 {
		t.Errorf("remanufactured: %v", reman)
	}
	if yard := options["listings/osprey-hollow.SOLANE-3"]; at(t, yard, "coreDeposit") != "2500" || at(t, yard, "coreRefund") != "700" {
		t.Errorf("the yard's: %v", yard)
	}
}

// TestPlanningOnTheCommandLine: a deployment's own tax pack, and commands on
// inline input.
func TestPlanningOnTheCommandLine(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	packs, data := filepath.Join(dir, "packs"), filepath.Join(dir, "data")
	if err := os.Mkdir(packs, 0o700); err != nil {
		t.Fatal(err)
	}
	own := tax.Pack{Place: "AQ", Name: "Ice", Version: "2026-11-25", Taxed: map[tax.Line]tax.Rule{
		tax.Freight: {Answer: tax.Yes, Text: "Freight is taxed on the ice.", Source: "invented"},
	}}
	if err := os.WriteFile(filepath.Join(packs, "ice.json"), own.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	p := start(t, "beltwright", "serve", "--demo", "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--data", data, "--tax-packs", packs)
	address := p.awaits(`gRPC\s+(127\.0\.0\.1:\d+)`)[1]
	p.awaits("Try, in another terminal")
	for _, c := range []struct {
		stdin string
		args  []string
		shows string
	}{
		{"", []string{"tax", "AQ"}, "Freight is taxed on the ice. [invented]"},
		{"", []string{"tax"}, "US-OH"},
		{fourOffers, []string{"plan", "-", "--choices"}, "247.92 USD  315.40 USD"},
		{fourOffers, []string{"plan", "-", "--why"}, "index of B = 120.00 + (50.00 + (1 − 0.6) × 45.00) / 0.6"},
		{
			"",
			[]string{"consignment", "--mode", "cargo-aircraft", "--un", "UN3268", "--in-component", "no", "--grams", "101000"},
			"✕ it may not be sent so",
		},
		{"", []string{"listing", "get", "listings/osprey-hollow.SOLANE-3"}, "700 g, UN3268\n"},
	} {
		command := exec.CommandContext(t.Context(), filepath.Join(binaries, "beltwright"),
			append(c.args, "--server", address, "--key-file", filepath.Join(data, "demo.key"))...)
		command.Stdin = strings.NewReader(c.stdin)
		var out bytes.Buffer
		command.Stdout, command.Stderr = &out, &out
		if err := command.Run(); err != nil || !strings.Contains(out.String(), c.shows) {
			t.Errorf("%v: %v, %q is missing in:\n%s", c.args, err, c.shows, out.String())
		}
	}
	broken := start(t, "beltwright", "serve", "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--data", filepath.Join(dir, "other"), "--tax-packs", data)
	if code := broken.exits(); code == 0 || !strings.Contains(broken.printed(), "tax packs in "+data) {
		t.Errorf("a folder without packs: exit code %d, %s", code, broken.printed())
	}
}
