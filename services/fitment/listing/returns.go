package listing

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/fitment/names"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
)

// Limits on what a buyer may report of a part that goes back.
const (
	// MaxFailedChecks bounds the checks of one report.
	MaxFailedChecks = 20
	// MaxSeen bounds the statements of one report.
	MaxSeen = 16
	// MaxReturns is how often one part may come back.
	MaxReturns  = 99
	maxCheck    = 500
	maxReport   = 1000
	maxSeenHow  = 80
	maxStock    = 40
	returnStamp = "arrival check"
)

var returnShape = regexp.MustCompile(`-R([0-9]{1,2})$`)

// Report is what a buyer says of a part that failed its arrival check.
type Report struct {
	// By is the buyer.
	By string
	// Report names the checks that failed.
	Report *fitmentv1.ReturnReport
	// Seen is what was seen of single attributes; see Seen.
	Seen []*fitmentv1.Evidence
	// About says which attributes a check looks at; nil where the check is not
	// known, and may have looked at anything.
	About func(check string) []fitmentv1.Evidence_Attribute
}

// ValidateReport notes what is wrong with a report.
func ValidateReport(r *fitmentv1.ReturnReport, prefix string, fields *check.Fields) {
	failed := r.GetFailedChecks()
	if n := len(failed); n == 0 || n > MaxFailedChecks {
		fields.Add(prefix+"failed_checks", fmt.Sprintf("has %d checks", n), fmt.Sprintf("1 to %d checks that failed, as the decision words them", MaxFailedChecks))
		return
	}
	for i, text := range failed {
		field := fmt.Sprintf("%sfailed_checks[%d]", prefix, i)
		fields.Text(field, text, maxCheck, true)
		if slices.Contains(failed[:i], text) {
			fields.Add(field, "is named twice", "each check once")
		}
	}
	fields.Text(prefix+"note", r.GetNote(), maxReport, false)
}

// Seen makes statements of a buyer's what they count as: confirmed by him, who is
// not the seller, on the day of the report where they state none. Everything that
// is wrong with them is noted. A yard that bought from itself confirms nothing.
func Seen(stated []*fitmentv1.Evidence, by, yard string, now time.Time, fields *check.Fields) []*fitmentv1.Evidence {
	if n := len(stated); n > MaxSeen {
		fields.Add("evidence", fmt.Sprintf("has %d statements", n), fmt.Sprintf("at most %d", MaxSeen))
		return nil
	}
	seen := make([]*fitmentv1.Evidence, 0, len(stated))
	for i, e := range stated {
		fields.Text(fmt.Sprintf("evidence[%d].how", i), e.GetHow(), maxSeenHow, false)
		own := proto.CloneOf(e)
		own.By, own.Level = by, fitmentv1.Evidence_CONFIRMED
		if names.Fold(by) == names.Fold(yard) {
			own.Level = fitmentv1.Evidence_SHOWN
		}
		own.How = returnStamp
		if e.GetHow() != "" {
			own.How += ": " + e.GetHow()
		}
		if own.GetDate() == "" {
			own.Date = now.UTC().Format(time.DateOnly)
		}
		seen = append(seen, own)
	}
	ValidateStatements(seen, yard, "evidence", fields)
	ValidateDays(&fitmentv1.Listing{Evidence: seen}, "", now, fields)
	return seen
}

// MayReturn tells whether a business may send a part back: it bought it, and the
// part did not go back before. Errors: STEP_REFUSED, PERMISSION_MISSING,
// ALREADY_EXISTS, LIMIT_REACHED.
func MayReturn(l *fitmentv1.Listing, caller string) error {
	switch {
	case l.GetState() != fitmentv1.Listing_SOLD:
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_STEP_REFUSED, "%s is not sold: only what was bought can be sent back", l.GetName())
	case caller == "" || l.GetBuyer() != caller:
		return apierr.New(codes.PermissionDenied, fitmentv1.ErrorInfo_PERMISSION_MISSING, "only the business that bought %s may send it back", l.GetName())
	case l.GetReturnedAs() != "":
		return apierr.New(codes.AlreadyExists, fitmentv1.ErrorInfo_ALREADY_EXISTS, "%s was sent back already, as %s", l.GetName(), l.GetReturnedAs())
	case len(ReturnNumbers(l)) == 0:
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LIMIT_REACHED, "%s came back %d times, which is as often as one part may", l.GetName(), MaxReturns)
	}
	return nil
}

// ReturnNumbers are the stock numbers under which a part that comes back may be
// listed, in the order in which they are to be tried: its number with R1 behind
// it, and R2 where it came back before.
func ReturnNumbers(l *fitmentv1.Listing) []string {
	stock, last := l.GetStockNumber(), 0
	if shape := returnShape.FindStringSubmatch(stock); shape != nil && l.GetReturnOf() != "" {
		stock = strings.TrimSuffix(stock, shape[0])
		last, _ = strconv.Atoi(shape[1]) // two digits at most
	}
	var numbers []string
	for n := last + 1; n <= MaxReturns; n++ {
		end := fmt.Sprintf("-R%d", n)
		numbers = append(numbers, stock[:min(len(stock), maxStock-len(end))]+end)
	}
	return numbers
}

// Return sends a sold part back under another stock number: left is the sold
// listing, which stays sold and names the new one, back is the new one, which is
// RETURNING and on no sale. What the buyer saw stands in its evidence. A check that
// failed without a statement that speaks against the part leaves nothing of what it
// looks at proven: statements about that count as claims from then on, the buyer's
// included. So nothing is proven by sending a part back that was not before.
func Return(sold *fitmentv1.Listing, r Report, stock string, now time.Time) (left, back *fitmentv1.Listing) {
	back = Content(sold)
	back.StockNumber, back.Name = stock, Name(sold.GetYard(), stock)
	back.State, back.ReturnOf = fitmentv1.Listing_RETURNING, sold.GetName()
	back.ReturnReport = proto.CloneOf(r.Report)
	back.ReturnReport.ReportTime = timestamppb.New(now)
	back.CreateTime, back.UpdateTime = timestamppb.New(now), timestamppb.New(now)
	doubted := r.doubted(sold)
	for _, e := range r.Seen {
		back.Evidence = append(back.GetEvidence(), proto.CloneOf(e))
	}
	for _, e := range back.GetEvidence() {
		if doubted(e.GetAttribute()) && e.GetLevel() > fitmentv1.Evidence_CLAIMED {
			e.Level = fitmentv1.Evidence_CLAIMED
		}
	}
	left = clone(sold)
	left.ReturnedAs, left.UpdateTime = back.GetName(), timestamppb.New(now)
	return left, back
}

// doubted tells of which attributes nothing is proven any more.
func (r Report) doubted(sold *fitmentv1.Listing) func(fitmentv1.Evidence_Attribute) bool {
	claims := evidence.ClaimsOf(sold)
	var open []fitmentv1.Evidence_Attribute
	for _, text := range r.Report.GetFailedChecks() {
		about := r.About(text)
		if about == nil {
			return func(fitmentv1.Evidence_Attribute) bool { return true }
		}
		explains := func(e *fitmentv1.Evidence) bool {
			return slices.Contains(about, e.GetAttribute()) && speaksAgainst(e, &claims)
		}
		if !slices.ContainsFunc(r.Seen, explains) {
			open = append(open, about...)
		}
	}
	return func(a fitmentv1.Evidence_Attribute) bool { return slices.Contains(open, a) }
}

const (
	spoiltYes = "yes"
	spoiltNo  = "no"
)

// spoilt are the values that speak against a part, of attributes that have one.
var spoilt = map[fitmentv1.Evidence_Attribute]string{
	fitmentv1.Evidence_DEPLOYMENT_MARKS:      spoiltYes,
	fitmentv1.Evidence_FLOOD:                 spoiltYes,
	fitmentv1.Evidence_FIRE:                  spoiltYes,
	fitmentv1.Evidence_DAMAGE:                spoiltYes,
	fitmentv1.Evidence_PIGTAIL_CUT:           spoiltYes,
	fitmentv1.Evidence_SHORTING_CLIP_PRESENT: spoiltNo,
	fitmentv1.Evidence_LABEL_LEGIBLE:         spoiltNo,
}

// speaksAgainst tells whether a buyer's statement says why a check failed: it
// states what no sound part has, or something else than the listing does. Of a loop
// none does: whether it counts depends on how it was read, and whether it lies outside
// the window on the vehicle. (One that counts bars the part as a mere claim, too.)
func speaksAgainst(e *fitmentv1.Evidence, claims *evidence.Claims) bool {
	if bad, known := spoilt[e.GetAttribute()]; known {
		return e.GetValue() == bad
	}
	if e.GetAttribute() == fitmentv1.Evidence_LOOP_RESISTANCE {
		return false
	}
	fact := claims.Fact(e.GetAttribute())
	key, readable := evidence.Key(e.GetAttribute(), e.GetValue())
	return fact.Known() && readable && key != fact.Key
}

// Relist puts a part that came back on sale again: STEP_REFUSED where it is not on
// its way back.
func Relist(l *fitmentv1.Listing, now time.Time) (*fitmentv1.Listing, error) {
	if l.GetState() != fitmentv1.Listing_RETURNING {
		return nil, apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_STEP_REFUSED,
			"%s is %s, not on its way back: there is nothing to put on sale again", l.GetName(), plain(l.GetState().String()))
	}
	next := clone(l)
	next.State, next.UpdateTime = fitmentv1.Listing_AVAILABLE, timestamppb.New(now)
	return next, nil
}

// keepReported is what a yard says of a part that came back, with what buyers saw
// on arrival behind it: that is not the yard's to take back.
func keepReported(said, stored *fitmentv1.Listing) {
	if stored.GetReturnOf() == "" {
		return
	}
	for _, e := range stored.GetEvidence() {
		same := func(other *fitmentv1.Evidence) bool { return proto.Equal(e, other) }
		if reported(e, stored.GetYard()) && !slices.ContainsFunc(said.GetEvidence(), same) {
			said.Evidence = append(said.GetEvidence(), proto.CloneOf(e))
		}
	}
}

// keepDoubted makes claims of what a yard says of a part that came back as it may have
// said it before: a new or raised statement counts as more only where it is dated on
// the day of the report or later. Saying again what a failed check left in doubt
// proves nothing; seeing it again does.
func keepDoubted(said, stored *fitmentv1.Listing) {
	report := stored.GetReturnReport()
	if report == nil {
		return
	}
	day := report.GetReportTime().AsTime().UTC().Format(time.DateOnly)
	for _, e := range said.GetEvidence() {
		claim := proto.CloneOf(e)
		claim.Level = min(e.GetLevel(), fitmentv1.Evidence_CLAIMED)
		stands := func(one *fitmentv1.Evidence) bool {
			return slices.ContainsFunc(stored.GetEvidence(), func(other *fitmentv1.Evidence) bool { return proto.Equal(one, other) })
		}
		if !stands(e) && (e.GetDate() < day || stands(claim)) { // days compare as text
			e.Level = claim.GetLevel()
		}
	}
}

// reported tells whether a statement is one of a buyer's on arrival.
func reported(e *fitmentv1.Evidence, yard string) bool {
	return (e.GetHow() == returnStamp || strings.HasPrefix(e.GetHow(), returnStamp+": ")) && names.Fold(e.GetBy()) != names.Fold(yard)
}
