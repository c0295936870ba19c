package plan

// MethodGiven is the method of a plan whose policy somebody else chose.
const MethodGiven = "given"

// Given says what follows from a policy that somebody else chose, as where what
// is bought first was settled together with other needs. It refuses a problem or a
// policy that makes no sense with an InvalidError. NotTried holds what the policy
// leaves out, in the order of the index.
func Given(p Problem, policy Policy) (Result, error) {
	m, err := Compile(p)
	if err != nil {
		return Result{}, err
	}
	result, err := m.result(policy, MethodGiven)
	if err != nil {
		return Result{}, err
	}
	tried := make(map[int]bool)
	for _, batch := range policy.Batches {
		for _, i := range batch {
			tried[i] = true
		}
	}
	var rest []int
	for _, i := range m.ByIndex() {
		if !tried[i] {
			rest = append(rest, i)
		}
	}
	result.NotTried = m.ids(rest)
	return result, nil
}
