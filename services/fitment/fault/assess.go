package fault

import (
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// Assess weighs codes, readings and tests by what is known beside them. The
// request should have passed Validate; what cannot be read in one that has not
// proves nothing.
func Assess(req *fitmentv1.AssessFaultRequest, k Knowledge) *fitmentv1.AssessFaultResponse {
	model, wait := k.model(), k.wait()
	reader := k.reader(req)
	answer := &fitmentv1.AssessFaultResponse{
		Cautions: cautions(req.GetReadings(), wait), Wait: wait, Likelihoods: model.Version, Dialect: reader.dialect,
	}
	codes := make([]readCode, 0, len(req.GetCodes()))
	for _, text := range req.GetCodes() {
		one := reader.read(text)
		codes = append(codes, one)
		answer.Codes = append(answer.Codes, one.report)
	}
	for _, r := range req.GetReadings() {
		answer.Readings = append(answer.Readings, Classify(k.clipped(r), k.windowOf(r, req.GetWindow())))
	}
	for i, t := range req.GetTests() {
		answer.Tests = append(answer.Tests, judgeTest(i, t))
	}
	s := newScene(model, req, answer, codes)
	answer.Suspects = s.suspects()
	answer.Purchase, answer.PurchaseReason = s.purchase(len(req.GetReadings())+len(req.GetTests()), codes)
	answer.NextTest = s.nextTest()
	return answer
}
