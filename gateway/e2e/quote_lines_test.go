package e2e_test

import (
	"fmt"
	"maps"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/uuid"
)

// TestQuoteOfARepairOverREST: a repair that needs three parts is drafted, issued,
// revised, and accepted in part, with the gate in front of every line and freight
// shared; what is declined is on sale again.
func TestQuoteOfARepairOverREST(t *testing.T) {
	t.Parallel()
	_, c := serveDemo(t, filepath.Join(t.TempDir(), "data"))
	draft := c.post("/v1/quotes:prepare", repairRequest(object{"draft": true, "requestId": uuid.NewString(), "customer": "R. Ash"}))
	if at(t, draft, "quote", "state") != "DRAFT" || at(t, draft, "quote", "number") != nil {
		t.Errorf("draft %v", at(t, draft, "quote", "state"))
	}
	issued := c.post("/v1/"+name(t, draft)+":issue", object{"requestId": uuid.NewString()})
	if at(t, issued, "quote", "number") != fmt.Sprintf("Q-%s-000001", fmt.Sprint(at(t, issued, "quote", "createTime"))[:4]) {
		t.Errorf("number %v", at(t, issued, "quote", "number"))
	}
	first := held(t, issued)
	if len(first) < 2 {
		t.Fatalf("the lines hold %v", first)
	}
	for _, listing := range first {
		if state := at(t, c.get("/v1/"+listing), "listing", "state"); state != "HELD" {
			t.Errorf("%s is %v", listing, state)
		}
	}
	together, apart := amountOf(t, issued, "basket", "total"), amountOf(t, issued, "basket", "separateTotal")
	if together > apart || at(t, issued, "quote", "basket", "proven") != true {
		t.Errorf("together %d, apart %d, proven %v", together, apart, at(t, issued, "quote", "basket", "proven"))
	}
	sumOfTotal(t, issued)

	prepare := repairRequest(object{"dayCost": "6000", "customer": "R. Ash"})
	revised := c.post("/v1/"+name(t, issued)+":revise", object{"prepare": prepare, "requestId": uuid.NewString()})
	if at(t, revised, "quote", "version") != 2.0 || at(t, revised, "quote", "supersedes") != name(t, issued) || len(list(t, revised, "quote", "differences")) == 0 {
		t.Errorf("version %v of %v", at(t, revised, "quote", "version"), at(t, revised, "quote", "supersedes"))
	}
	if old := c.get("/v1/" + name(t, issued)); at(t, old, "quote", "state") != "SUPERSEDED" || at(t, old, "quote", "supersededBy") != name(t, revised) {
		t.Errorf("the first version is %v", at(t, old, "quote", "state"))
	}

	authorization := object{"by": "R. Ash", "method": "SIGNED", "time": at(t, revised, "quote", "createTime"), "usedPart": true, "upTo": "1"}
	code, answer := c.do("POST", "/v1/"+name(t, revised)+":accept", object{"lines": []int{1}, "authorization": authorization, "requestId": uuid.NewString()})
	if code != 400 || !strings.Contains(fmt.Sprint(answer), "authorization.upTo") {
		t.Errorf("an authorization of a cent: %d, %v", code, answer)
	}
	delete(authorization, "upTo")
	accepted := c.post("/v1/"+name(t, revised)+":accept", object{"lines": []int{1}, "authorization": authorization, "requestId": uuid.NewString()})
	if at(t, accepted, "quote", "state") != "PARTLY_ACCEPTED" {
		t.Errorf("accepted: %v", at(t, accepted, "quote", "state"))
	}
	for i, listing := range held(t, revised) {
		want := "AVAILABLE"
		if i == 0 {
			want = "SOLD"
		}
		if state := at(t, c.get("/v1/"+listing), "listing", "state"); state != want {
			t.Errorf("%s is %v, want %s", listing, state, want)
		}
	}
	for query, want := range map[string]int{"state=PARTLY_ACCEPTED": 1, "state=SUPERSEDED": 2, "customer=R.%20Ash": 3, "state=OPEN": 0, "customer=nobody": 0} {
		if got := len(list(t, c.get("/v1/quotes?"+query), "quotes")); got != want {
			t.Errorf("%s lists %d, want %d", query, got, want)
		}
	}
}

// repairRequest asks for the passenger's buckle, the driver's buckle and the
// driver's air bag of the demo's vehicle, with what else is stated.
func repairRequest(more object) object {
	further := func(kind string, position object) object {
		need := solane()
		need["kind"], need["position"] = kind, position
		return object{"need": need, "labour": object{"fitMinutes": 30, "hourlyRate": "12800"}}
	}
	request := object{
		"need": solane(), "currencyCode": "USD", "dayCost": "3000", "taxPercent": "7.25",
		"labour":       object{"fitMinutes": 70, "checkMinutes": 15, "hourlyRate": "12800"},
		"furtherNeeds": []object{further("BUCKLE_PRETENSIONER", object{"row": 1, "side": "LEFT"}), further("DRIVER_AIR_BAG", object{"row": 1, "side": "LEFT"})},
		"supplies":     []object{{"label": "thread lock", "amount": "300"}},
	}
	maps.Copy(request, more)
	return request
}

func name(t *testing.T, answer object) string {
	t.Helper()
	return fmt.Sprint(at(t, answer, "quote", "name"))
}

// held are the listings that the lines hold, in their order.
func held(t *testing.T, answer object) []string {
	t.Helper()
	var names []string
	for _, line := range list(t, answer, "quote", "lines") {
		if listing, ok := at(t, line, "heldListing").(string); ok {
			names = append(names, listing)
		}
	}
	return names
}

func amountOf(t *testing.T, answer object, path ...any) int64 {
	t.Helper()
	var value int64
	if _, err := fmt.Sscan(fmt.Sprint(at(t, answer, append([]any{"quote"}, path...)...)), &value); err != nil {
		t.Errorf("%v is no amount: %v", path, err)
	}
	return value
}

// sumOfTotal adds the parts of a total up.
func sumOfTotal(t *testing.T, answer object) {
	t.Helper()
	var sum int64
	for _, part := range []string{"parts", "coreDeposits", "tax", "freight", "handling", "fitLabour", "checkLabour", "supplies"} {
		if at(t, answer, "quote", "total", part) != nil {
			sum += amountOf(t, answer, "total", part)
		}
	}
	if want := amountOf(t, answer, "total", "total"); sum != want || sum == 0 {
		t.Errorf("the parts of the total come to %d, not %d", sum, want)
	}
}
