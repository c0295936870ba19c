package paper

import "fmt"

// Bar is one outcome of a chart.
type Bar struct {
	// At is where it stands.
	At float64
	// Chance is how high it is: its probability.
	Chance float64
}

// Mark is a place on a chart that is named.
type Mark struct {
	// At is where it is.
	At float64
	// Name says what it is, and its value.
	Name string
}

// maxBars is how many bars can be told apart; more are put together.
const maxBars = 40

// Bars draws probabilities over amounts: a bar an outcome, or a range of them
// where there are many. Low and high name the ends of the scale. Marks are
// triangles below the scale, with a letter each and their names beside it.
func (d *Doc) Bars(bars []Bar, low, high string, marks []Mark) {
	if len(bars) == 0 {
		return
	}
	const height, markRoom = 24.0, 5.0
	d.Keep(height + markRoom + float64(2+len(marks))*lineHeight(smallType))
	scale := newScale(bars, marks, d.Width()-14)
	groups := scale.group(bars)
	var most float64
	for _, group := range groups {
		most = max(most, group.Chance)
	}
	top := d.pdf.GetY() + lineHeight(smallType)
	base := top + height
	d.pdf.SetXY(sideMargin, d.pdf.GetY())
	d.write(fmt.Sprintf("highest bar: %.1f %%", most*100), regular, smallType, d.Width(), left)
	d.pdf.SetFillColor(shade(dark))
	for _, group := range groups {
		tall := height * group.Chance / most
		d.pdf.Rect(scale.x(group.At)-scale.bar/2, base-tall, scale.bar, tall, "F")
	}
	d.pdf.SetLineWidth(0.3)
	d.pdf.Line(sideMargin, base, sideMargin+d.Width(), base)
	for i, mark := range marks {
		d.mark(scale.x(mark.At), base, letter(i))
	}
	d.ends(base+markRoom, low, high)
	for i, mark := range marks {
		d.Small(letter(i) + ": " + mark.Name)
	}
}

// ends names the ends of the scale.
func (d *Doc) ends(y float64, low, high string) {
	d.pdf.SetXY(sideMargin, y)
	d.write(low, regular, smallType, d.Width()/2, left)
	d.write(high, regular, smallType, d.Width()/2, right)
	d.pdf.Ln(lineHeight(smallType))
}

func letter(i int) string { return string(rune('A' + i%26)) }

// mark draws a triangle that points up to the scale, with its letter.
func (d *Doc) mark(x, base float64, name string) {
	d.pdf.SetFillColor(shade(black))
	d.pdf.MoveTo(x, base+0.4)
	d.pdf.LineTo(x-1.1, base+2.2)
	d.pdf.LineTo(x+1.1, base+2.2)
	d.pdf.ClosePath()
	d.pdf.DrawPath("F")
	d.pdf.SetXY(x+1.4, base+0.5)
	d.write(name, regular, smallType, 4, left)
}

// scale puts amounts on the paper.
type scale struct{ low, high, from, width, bar float64 }

func newScale(bars []Bar, marks []Mark, width float64) scale {
	s := scale{low: bars[0].At, high: bars[0].At, from: sideMargin + 7, width: width}
	for _, bar := range bars {
		s.low, s.high = min(s.low, bar.At), max(s.high, bar.At)
	}
	for _, mark := range marks {
		s.low, s.high = min(s.low, mark.At), max(s.high, mark.At)
	}
	s.bar = min(5, width/maxBars*0.8)
	return s
}

// x is where an amount stands on the paper.
func (s scale) x(at float64) float64 {
	if s.high <= s.low {
		return s.from + s.width/2
	}
	return s.from + s.width*(at-s.low)/(s.high-s.low)
}

// group puts bars together that would hide each other: all in one of maxBars
// equal ranges, at their mean. One that is apart stays where it is.
func (s scale) group(bars []Bar) []Bar {
	sums := make([]Bar, maxBars)
	counts := make([]int, maxBars)
	for _, bar := range bars {
		i := 0
		if s.high > s.low {
			i = min(int(float64(maxBars)*(bar.At-s.low)/(s.high-s.low)), maxBars-1)
		}
		sums[i].At += bar.At * bar.Chance
		sums[i].Chance += bar.Chance
		counts[i]++
	}
	groups := make([]Bar, 0, len(bars))
	for i, sum := range sums {
		if counts[i] == 0 || sum.Chance <= 0 {
			continue
		}
		groups = append(groups, Bar{At: sum.At / sum.Chance, Chance: sum.Chance})
	}
	return groups
}
