package cli

import quotev1 "beltwright.example/proto/beltwright/quote/v1"

// showWorkings says how each number of something came about: its formula with its
// inputs, and where the rule is from.
func showWorkings(p *printer, of string, workings []*quotev1.Working) {
	if len(workings) == 0 {
		return
	}
	lines := make([]string, 0, len(workings))
	for _, w := range workings {
		line := w.GetNumber() + " = " + w.GetFormula() + " = " + w.GetValue()
		if w.GetSource() != "" {
			line += " (" + w.GetSource() + ")"
		}
		lines = append(lines, line)
	}
	p.list("how the numbers of "+of+" came about", lines)
}
