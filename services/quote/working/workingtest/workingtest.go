// Package workingtest does the sums of package working again, exactly and by
// its own reading of the formulas, so that tests can tell a working that does
// not give its value.
package workingtest

import (
	"errors"
	"fmt"
	"math/big"
	"strings"
	"testing"

	"beltwright.example/services/quote/working"
)

// Check fails the test for every step that names nothing or whose formula does
// not give its value.
func Check(tb testing.TB, steps []working.Step) {
	tb.Helper()
	for _, step := range steps {
		if err := Verify(step); err != nil {
			tb.Errorf("%s: %v", step.Number, err)
		}
	}
}

// Verify does one sum again. The value must be exact, or, where the words after
// the formula say "rounded", the nearest number of as many decimal places, a
// half going away from zero.
func Verify(step working.Step) error {
	if step.Number == "" || step.Formula == "" || step.Value == "" {
		return errors.New("a step needs a number, a formula and a value")
	}
	formula, words, _ := strings.Cut(step.Formula, ",")
	exact, err := Evaluate(formula)
	if err != nil {
		return fmt.Errorf("formula %q: %w", step.Formula, err)
	}
	text := strings.Replace(step.Value, "−", "-", 1)
	value, ok := new(big.Rat).SetString(text)
	if !ok || strings.Trim(text, "-0123456789.") != "" {
		return fmt.Errorf("value %q is no decimal number", step.Value)
	}
	if strings.Contains(words, "rounded") {
		_, places, _ := strings.Cut(text, ".")
		// FloatString rounds half away from zero.
		exact, _ = new(big.Rat).SetString(exact.FloatString(len(places)))
	}
	if exact.Cmp(value) != 0 {
		return fmt.Errorf("formula %q gives %s, not %s", step.Formula, exact.FloatString(9), step.Value)
	}
	return nil
}

// Evaluate calculates a formula without its words.
func Evaluate(formula string) (*big.Rat, error) {
	p := &parser{rest: strings.NewReplacer("−", "-", "×", "*").Replace(formula)}
	value, err := p.sum(0)
	switch {
	case err != nil:
		return nil, err
	case p.peek() != 0:
		return nil, fmt.Errorf("%q is left over", p.rest)
	}
	return value, nil
}

// parser reads from the front of rest.
type parser struct{ rest string }

// deepest is how far brackets may stand inside each other.
const deepest = 50

// peek is the next character that is no space, or 0 at the end.
func (p *parser) peek() byte {
	p.rest = strings.TrimLeft(p.rest, " ")
	if p.rest == "" {
		return 0
	}
	return p.rest[0]
}

func (p *parser) take() { p.rest = p.rest[1:] }

// sum reads products that are added and taken away.
func (p *parser) sum(depth int) (*big.Rat, error) {
	total, err := p.product(depth)
	for err == nil {
		sign := p.peek()
		if sign != '+' && sign != '-' {
			return total, nil
		}
		p.take()
		var next *big.Rat
		if next, err = p.product(depth); err != nil {
			break
		}
		if sign == '-' {
			next.Neg(next)
		}
		total.Add(total, next)
	}
	return nil, err
}

// product reads factors that are multiplied and divided.
func (p *parser) product(depth int) (*big.Rat, error) {
	total, err := p.factor(depth)
	for err == nil {
		sign := p.peek()
		if sign != '*' && sign != '/' {
			return total, nil
		}
		p.take()
		var next *big.Rat
		if next, err = p.factor(depth); err != nil {
			break
		}
		if sign == '/' {
			if next.Sign() == 0 {
				return nil, errors.New("divides by nothing")
			}
			next.Inv(next)
		}
		total.Mul(total, next)
	}
	return nil, err
}

// factor reads a number or a bracket, perhaps negative, perhaps in percent.
func (p *parser) factor(depth int) (*big.Rat, error) {
	if depth > deepest {
		return nil, errors.New("brackets stand too deep")
	}
	var value *big.Rat
	var err error
	switch p.peek() {
	case '-':
		p.take()
		if value, err = p.factor(depth + 1); err == nil {
			value.Neg(value)
		}
		return value, err
	case '(':
		p.take()
		if value, err = p.sum(depth + 1); err == nil {
			if p.peek() != ')' {
				return nil, errors.New("a bracket is not closed")
			}
			p.take()
		}
	default:
		value, err = p.number()
	}
	if err == nil && p.peek() == '%' {
		p.take()
		value.Quo(value, big.NewRat(100, 1))
	}
	return value, err
}

// number reads digits with perhaps a point in them.
func (p *parser) number() (*big.Rat, error) {
	p.peek()
	end := len(p.rest) - len(strings.TrimLeft(p.rest, "0123456789."))
	text := p.rest[:end]
	value, ok := new(big.Rat).SetString(text)
	if !ok || strings.HasPrefix(text, ".") || strings.HasSuffix(text, ".") {
		return nil, fmt.Errorf("expected a number at %.20q", p.rest)
	}
	p.rest = p.rest[end:]
	return value, nil
}
