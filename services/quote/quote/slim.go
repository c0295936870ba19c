package quote

import (
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// noticeSlim stands on a quote that would be too large in full.
const noticeSlim = "There is much on offer, so how numbers came about, and what must be known beside them, is left out for options that are far down in the plan or not tried."

// detailed are how many options of a line keep their details where a quote is too
// large.
var detailed = []int32{40, 12, 3} //nolint:gochecknoglobals // a table that nothing changes

// keptOut is how many exclusions of a line stay where a quote is too large for all,
// those first that something would admit.
const keptOut = 20

// Slim takes details away from a quote that is larger than so many bytes: those of
// options that the plan does not try first, then those of later tries, at last
// exclusions. Prices and places stay.
func Slim(q *quotev1.Quote, most int) {
	slimOptions(q, most)
	if proto.Size(q) <= most {
		return
	}
	left := 0
	for _, line := range Lines(q) {
		if n := len(line.GetExcluded()) - keptOut; n > 0 {
			left += n
		}
	}
	q.Excluded = q.GetExcluded()[:min(len(q.GetExcluded()), keptOut)]
	for _, line := range q.GetLines() {
		line.Excluded = line.GetExcluded()[:min(len(line.GetExcluded()), keptOut)]
	}
	if left == 0 {
		return
	}
	q.Notices = append(q.Notices, fmt.Sprintf("%d more that are kept out are not named here, for lack of room.", left))
}

func slimOptions(q *quotev1.Quote, most int) {
	for i, keep := range detailed {
		if proto.Size(q) <= most {
			return
		}
		if i == 0 && !slices.Contains(q.GetNotices(), noticeSlim) {
			q.Notices = append(q.Notices, noticeSlim)
		}
		for _, option := range AllOptions(q) {
			if place := option.GetPlanPlace(); option.GetFallback() || (place > 0 && place <= keep) {
				continue
			}
			lighten(option)
		}
		for _, line := range Lines(q) {
			if workings, most := line.GetPlan().GetWorkings(), int(keep)*4; len(workings) > most {
				line.Plan.Workings = workings[len(workings)-most:]
			}
		}
	}
}
