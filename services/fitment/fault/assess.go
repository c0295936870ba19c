package fault

import (
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// Assess weighs codes and readings with the numbers of DefaultModel. The
// request should have passed Validate; what cannot be read in one that has not
// proves nothing.
func Assess(req *fitmentv1.AssessFaultRequest) *fitmentv1.AssessFaultResponse {
	return DefaultModel().Assess(req)
}

// Assess weighs codes and readings with the model's numbers.
func (m Model) Assess(req *fitmentv1.AssessFaultRequest) *fitmentv1.AssessFaultResponse {
	codes := readCodes(req)
	answer := &fitmentv1.AssessFaultResponse{Cautions: cautions(req.GetReadings())}
	for _, c := range codes {
		answer.Codes = append(answer.Codes, c.report)
	}
	for _, r := range req.GetReadings() {
		answer.Readings = append(answer.Readings, Classify(r, req.GetWindow()))
	}
	s := newScene(m, req, answer.GetReadings(), codes)
	answer.Suspects = s.suspects()
	answer.Purchase, answer.PurchaseReason = s.purchase(answer.GetReadings(), codes)
	answer.NextTest = s.nextTest()
	return answer
}
