package paper

import "cmp"

// Pair is a name and its value.
type Pair struct{ Name, Value string }

// Pairs writes names with their values beside them; a pair without value is left
// out.
func (d *Doc) Pairs(pairs []Pair) {
	const names = 42.0
	for _, pair := range pairs {
		if pair.Value == "" {
			continue
		}
		d.row([]cell{
			{text: pair.Name, width: names, style: regular, grey: dark},
			{text: pair.Value, width: d.Width() - names, style: regular},
		}, bodyType)
	}
}

// Column is a column of a table.
type Column struct {
	// Name heads it.
	Name string
	// Share is its part of the width, compared with the others'.
	Share float64
	// Number tells that its cells stand to the right.
	Number bool
}

// Row is a row of a table.
type Row struct {
	// Cells are its texts, one a column.
	Cells []string
	// Strong makes it stand out, as sums do.
	Strong bool
}

// Rows makes plain rows.
func Rows(cells ...[]string) []Row {
	rows := make([]Row, 0, len(cells))
	for _, each := range cells {
		rows = append(rows, Row{Cells: each})
	}
	return rows
}

// Table writes a table. On each page that it reaches its header stands again, and
// a row stays whole where a page has room for it.
func (d *Doc) Table(columns []Column, rows []Row) {
	var shares float64
	header := make([]cell, 0, len(columns))
	for _, column := range columns {
		shares += column.Share
		header = append(header, cell{text: column.Name, style: bold, align: alignment(column), pad: 1.2, fill: true})
	}
	for i, column := range columns {
		header[i].width = d.Width() * column.Share / shares
	}
	d.Keep(d.height(header, smallType) + 2*lineHeight(smallType))
	d.row(header, smallType)
	for _, row := range rows {
		cells := make([]cell, len(columns))
		for i := range columns {
			cells[i] = header[i]
			cells[i].text, cells[i].style, cells[i].fill = "", regular, false
			if i < len(row.Cells) {
				cells[i].text = row.Cells[i]
			}
			if row.Strong {
				cells[i].style = bold
			}
		}
		d.tableRow(header, cells)
	}
}

func alignment(c Column) align {
	if c.Number {
		return right
	}
	return left
}

// tableRow writes a row with a line below it, under a new header where it begins
// a page.
func (d *Doc) tableRow(header, cells []cell) {
	if height := d.height(cells, smallType); height > d.room() && height <= d.full()-d.height(header, smallType) {
		d.pdf.AddPage()
		d.row(header, smallType)
	}
	d.lines(cells, smallType, func() { d.row(header, smallType) })
	d.rule(d.pdf.GetY())
}

// cell is a cell of a row.
type cell struct {
	text  string
	width float64
	style style
	align align
	grey  int
	pad   float64
	fill  bool
}

// row writes cells beside each other.
func (d *Doc) row(cells []cell, points float64) {
	d.Keep(min(d.height(cells, points), d.full()))
	d.lines(cells, points, func() {})
}

// height is how high the cells are together.
func (d *Doc) height(cells []cell, points float64) float64 {
	most := 1
	for _, c := range cells {
		most = max(most, len(d.wrapped(c.text, c.style, points, c.width-2*c.pad)))
	}
	return float64(most)*lineHeight(points) + 2*padding(cells)
}

func padding(cells []cell) float64 {
	if len(cells) > 0 && cells[0].pad > 0 {
		return 0.6
	}
	return 0.2
}

// lines writes cells a line at a time; where a page ends in the middle, again
// opens the next one.
func (d *Doc) lines(cells []cell, points float64, again func()) {
	texts := make([][]string, len(cells))
	most := 1
	for i, c := range cells {
		texts[i] = d.wrapped(c.text, c.style, points, c.width-2*c.pad)
		most = max(most, len(texts[i]))
	}
	d.pad(cells, padding(cells))
	for n := range most {
		if d.room() < lineHeight(points) {
			d.pdf.AddPage()
			again()
		}
		y, x := d.pdf.GetY(), sideMargin
		for i, c := range cells {
			d.back(c, x, y, lineHeight(points))
			if n < len(texts[i]) {
				d.pdf.SetXY(x+c.pad, y)
				d.pdf.SetTextColor(shade(c.grey))
				d.write(texts[i][n], c.style, points, c.width-2*c.pad, cmp.Or(c.align, left))
				d.pdf.SetTextColor(shade(black))
			}
			x += c.width
		}
		d.pdf.SetY(y + lineHeight(points))
	}
	d.pad(cells, padding(cells))
}

// pad leaves room above or below a row.
func (d *Doc) pad(cells []cell, height float64) {
	x := sideMargin
	for _, c := range cells {
		d.back(c, x, d.pdf.GetY(), height)
		x += c.width
	}
	d.pdf.SetY(d.pdf.GetY() + height)
}

// back fills what lies behind a cell.
func (d *Doc) back(c cell, x, y, height float64) {
	if !c.fill {
		return
	}
	d.pdf.SetFillColor(shade(pale))
	d.pdf.Rect(x, y, c.width, height, "F")
}
