package quote

import (
	"slices"
	"strings"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// Telling picks, of a trade-off set, the places (from 0) of the policies that say
// most of it: for each way to start the one of least expected cost, and of all
// the ones of least CVaR, fewest days and least worst regret. A set of many
// policies mostly differs in what is tried last, by cents; nothing but the number
// of lines that people read hangs on this choice.
func Telling(trade *quotev1.TradeOff) []int {
	points := trade.GetPoints()
	var told []int
	tell := func(place int) {
		if place >= 0 && place < len(points) && !slices.Contains(told, place) {
			told = append(told, place)
		}
	}
	starts := make(map[string]bool)
	calmest, fastest := 0, 0
	for place, point := range points { // by rising expected cost
		if start := startOf(point); !starts[start] {
			starts[start] = true
			tell(place)
		}
		if point.GetCvar95() < points[calmest].GetCvar95() {
			calmest = place
		}
		if point.GetExpectedDays() < points[fastest].GetExpectedDays() {
			fastest = place
		}
	}
	tell(calmest)
	tell(fastest)
	tell(int(trade.GetLeastWorstRegret()) - 1)
	slices.Sort(told)
	return told
}

// startOf is what a policy buys first.
func startOf(point *quotev1.TradePoint) string {
	if len(point.GetBatches()) == 0 {
		return "" // the fallback at once
	}
	return strings.Join(point.GetBatches()[0].GetIds(), " ")
}
