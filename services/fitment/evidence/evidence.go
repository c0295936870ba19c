// Package evidence holds what decisions are made of: three-valued answers, a
// view over what is known of a listing and how well, and the order in which
// missing evidence is worth getting.
package evidence

import (
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// Answer is proven, disproven or neither. The logic is Kleene's strong
// three-valued one (Kleene 1952, "Introduction to Metamathematics", §64): with
// no < unknown < yes, And is the least and Or the greatest. Anything that is
// neither Yes nor No counts as Unknown.
type Answer = fitmentv1.Finding_Answer

// The three answers.
const (
	Yes     = fitmentv1.Finding_YES
	No      = fitmentv1.Finding_NO
	Unknown = fitmentv1.Finding_UNKNOWN
)

// And is No where any is No, Yes where all are Yes, otherwise Unknown. And of
// nothing is Yes.
func And(answers ...Answer) Answer {
	result := Yes
	for _, a := range answers {
		switch a {
		case No:
			return No
		case Yes:
		default:
			result = Unknown
		}
	}
	return result
}

// Or is Yes where any is Yes, No where all are No, otherwise Unknown. Or of
// nothing is No.
func Or(answers ...Answer) Answer {
	result := No
	for _, a := range answers {
		switch a {
		case Yes:
			return Yes
		case No:
		default:
			result = Unknown
		}
	}
	return result
}

// Not turns Yes into No and back; Unknown stays.
func Not(a Answer) Answer {
	switch a {
	case Yes:
		return No
	case No:
		return Yes
	default:
		return Unknown
	}
}

// Of turns a truth value into an answer.
func Of(truth bool) Answer {
	if truth {
		return Yes
	}
	return No
}

// maxUnanimous bounds the completions that Unanimous tries: 2^16.
const maxUnanimous = 16

// Unanimous answers what every completion of n unknown yes-or-no attributes
// agrees on, and Unknown where they differ, where some completion is itself
// Unknown, or where n is above 16. Kleene's logic only approximates this: for
// (s∧a)∨(¬s∧b) with s unknown and a = b = yes it says unknown although both
// completions say yes.
func Unanimous(decide func(completion []Answer) Answer, n int) Answer {
	if n < 0 || n > maxUnanimous {
		return Unknown
	}
	completion := make([]Answer, n)
	first := Unknown
	for mask := range 1 << n {
		for i := range completion {
			completion[i] = Of(mask>>i&1 == 1)
		}
		answer := decide(completion)
		if answer != Yes && answer != No {
			return Unknown
		}
		if mask > 0 && answer != first {
			return Unknown
		}
		first = answer
	}
	return first
}
