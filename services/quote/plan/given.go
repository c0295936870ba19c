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
	return m.result(policy, MethodGiven)
}
