package quote

import (
	"google.golang.org/protobuf/proto"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// noticeSlim stands on a quote that would be too large in full.
const noticeSlim = "There is much on offer, so how numbers came about, and what must be known beside them, is left out for options that are far down in the plan or not tried."

// detailed are how many options of a line keep their details where a quote is too
// large.
var detailed = []int32{40, 12, 3} //nolint:gochecknoglobals // a table that nothing changes

// Slim takes details away from a quote that is larger than so many bytes: those of
// options that the plan does not try first, then those of later tries. Prices,
// places and reasons stay.
func Slim(q *quotev1.Quote, most int) {
	for i, keep := range detailed {
		if proto.Size(q) <= most {
			return
		}
		if i == 0 {
			q.Notices = append(q.Notices, noticeSlim)
		}
		for _, option := range AllOptions(q) {
			if place := option.GetPlanPlace(); option.GetFallback() || (place > 0 && place <= keep) {
				continue
			}
			option.Workings, option.Transport, option.Obligations = nil, nil, nil
			option.ArrivalChecks, option.OneUse, option.ReplaceWith = nil, nil, nil
		}
		for _, line := range Lines(q) {
			if workings, most := line.GetPlan().GetWorkings(), int(keep)*4; len(workings) > most {
				line.Plan.Workings = workings[len(workings)-most:]
			}
		}
	}
}
