package fault_test

import (
	"fmt"
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/fault"
)

// crowded is a request with n codes, readings and tests, each reading and each test
// of a loop of its own as far as there are enough.
func crowded(n int) *fitmentv1.AssessFaultRequest {
	req := &fitmentv1.AssessFaultRequest{Dialect: "legacy-a"}
	kinds := []fitmentv1.Part_Kind{buckle, side, fitmentv1.Part_CURTAIN_AIR_BAG, fitmentv1.Part_KNEE_AIR_BAG, fitmentv1.Part_DRIVER_AIR_BAG}
	for i := range n {
		place := &fitmentv1.Position{Row: int32(i / 15 % 10), Side: fitmentv1.Position_Side(i / 5 % 3)}
		reading := metered(kinds[i%5], atPart, 2.1)
		if i%2 == 1 {
			reading = reported(kinds[i%5], byModule, 6.6)
		}
		reading.Position = place
		test := loopTest(kinds[i%5], unplug, isOpen, isLow)
		test.Position = &fitmentv1.Position{Row: place.GetRow(), Side: fitmentv1.Position_Side(1 + i/5%3)}
		req.Readings, req.Tests = append(req.Readings, reading), append(req.Tests, test)
		req.Codes = append(req.Codes, fmt.Sprintf("B00%02X-1A", 0x40+i))
	}
	return req
}

func BenchmarkAssess(b *testing.B) {
	known := fault.Knowledge{Model: fault.DefaultModel()}
	for _, n := range []int{2, fault.MaxReadings} {
		req := crowded(n)
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			for b.Loop() {
				fault.Assess(req, known)
			}
		})
	}
}
