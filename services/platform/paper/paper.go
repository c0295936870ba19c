// Package paper lays out documents for paper: headings, text, pairs, tables that
// break over pages, a bar chart and code pictures, on A4 or US Letter, each page
// numbered. The same content gives the same bytes: a document carries the time
// that its content was made, never the time of printing.
//
// Lengths are millimetres, sizes of type points.
package paper

import (
	"bytes"
	"errors"
	"fmt"
	"time"

	"codeberg.org/go-pdf/fpdf"
)

// Size is a size of paper.
type Size int

// Sizes of paper.
const (
	// A4 is 210 mm by 297 mm (ISO 216).
	A4 Size = iota
	// Letter is 8.5 in by 11 in, which is 215.9 mm by 279.4 mm (ANSI/ASME Y14.1
	// calls it A; from memory).
	Letter
)

// Margins of a page, and sizes of its type.
const (
	sideMargin, topMargin, bottomMargin = 18.0, 16.0, 20.0

	footerUp = 13.0 // its first line lies so far above the edge

	titleType, headingType, bodyType, smallType = 17.0, 11.5, 9.5, 8.0
)

// ErrSize is returned for a size of paper that there is not.
var ErrSize = errors.New("no such size of paper; expected A4 or Letter")

// Sheet is what a whole document shares.
type Sheet struct {
	// Size is the paper.
	Size Size
	// Title names the document, in its properties and at the foot of each page.
	Title string
	// Foot is what else stands at the foot of each page.
	Foot string
	// Made is when its content was made.
	Made time.Time
}

// Doc is a document being drawn. What cannot be drawn is remembered, and Render
// returns it.
type Doc struct {
	pdf   *fpdf.Fpdf
	sheet Sheet
	// pages is how many there are in all; 0 while they are counted.
	pages int
	// less is what the text is narrower by for now.
	less float64
	// widths are those of characters, in thousandths of the type's size.
	widths map[glyph]float64
}

// Render draws a document as PDF. It calls draw twice, first to count the pages,
// so draw must do the same both times.
func Render(sheet Sheet, draw func(d *Doc)) ([]byte, error) {
	counted, err := newDoc(sheet, 0)
	if err != nil {
		return nil, err
	}
	draw(counted)
	if err := counted.pdf.Error(); err != nil {
		return nil, fmt.Errorf("draw %s: %w", sheet.Title, err)
	}
	d, err := newDoc(sheet, counted.pdf.PageCount())
	if err != nil {
		return nil, err
	}
	draw(d)
	var out bytes.Buffer
	if err := d.pdf.Output(&out); err != nil {
		return nil, fmt.Errorf("draw %s: %w", sheet.Title, err)
	}
	return out.Bytes(), nil
}

func newDoc(sheet Sheet, pages int) (*Doc, error) {
	name, ok := map[Size]string{A4: "A4", Letter: "Letter"}[sheet.Size]
	if !ok {
		return nil, ErrSize
	}
	d := &Doc{pdf: fpdf.New("P", "mm", name, ""), sheet: sheet, pages: pages, widths: map[glyph]float64{}}
	for _, style := range []style{regular, bold} {
		d.pdf.AddUTF8FontFromBytes(family, string(style), style.font())
	}
	d.pdf.SetCatalogSort(true)
	d.pdf.SetCreationDate(sheet.Made.UTC())
	d.pdf.SetModificationDate(sheet.Made.UTC())
	d.pdf.SetTitle(Printable(sheet.Title), true)
	d.pdf.SetProducer("Beltwright", true)
	d.pdf.SetLang("en")
	d.pdf.SetMargins(sideMargin, topMargin, sideMargin)
	d.pdf.SetCellMargin(0)
	d.pdf.SetAutoPageBreak(false, bottomMargin)
	d.pdf.SetFooterFunc(d.foot)
	d.pdf.AddPage()
	return d, nil
}

// foot writes the foot of a page.
func (d *Doc) foot() {
	_, height := d.pdf.GetPageSize()
	d.rule(height - footerUp - 1.5)
	d.pdf.SetXY(sideMargin, height-footerUp)
	text := d.sheet.Title
	if d.sheet.Foot != "" {
		text += " · " + d.sheet.Foot
	}
	number := fmt.Sprintf("page %d of %d", d.pdf.PageNo(), max(d.pages, d.pdf.PageNo()))
	room := d.Width() - 30
	for i, line := range d.wrapped(text, regular, smallType, room) {
		if i < 2 { // the foot has room for two lines
			d.pdf.SetX(sideMargin)
			d.write(line, regular, smallType, room, left)
			d.pdf.Ln(lineHeight(smallType))
		}
	}
	d.pdf.SetXY(sideMargin+room, height-footerUp)
	d.write(number, regular, smallType, 30, right)
}

// Width is how wide the text is.
func (d *Doc) Width() float64 {
	width, _ := d.pdf.GetPageSize()
	return width - 2*sideMargin - d.less
}

// room is what is left of the page below the pen.
func (d *Doc) room() float64 {
	_, height := d.pdf.GetPageSize()
	return height - bottomMargin - d.pdf.GetY()
}

// full is what a whole page has room for.
func (d *Doc) full() float64 {
	_, height := d.pdf.GetPageSize()
	return height - bottomMargin - topMargin
}

// Keep begins a new page where less than so much is left of this one, unless it
// is a new one already: what follows then stays together.
func (d *Doc) Keep(height float64) {
	if d.room() < height && d.pdf.GetY() > topMargin {
		d.pdf.AddPage()
	}
}

// Gap leaves so much room, at a page's end less.
func (d *Doc) Gap(height float64) { d.pdf.SetY(d.pdf.GetY() + min(height, max(d.room(), 0))) }

// Rule draws a line across.
func (d *Doc) Rule() {
	d.Keep(2)
	d.rule(d.pdf.GetY() + 1)
	d.pdf.SetY(d.pdf.GetY() + 2)
}

func (d *Doc) rule(y float64) {
	d.pdf.SetLineWidth(0.2)
	d.pdf.SetDrawColor(shade(line))
	d.pdf.Line(sideMargin, y, sideMargin+d.Width(), y)
	d.pdf.SetDrawColor(shade(black))
}

// Shades of grey: nothing says anything by colour alone, and all of it prints on
// any printer.
const (
	black = 0
	dark  = 90
	line  = 150
	pale  = 235
)

func shade(grey int) (r, g, b int) { return grey, grey, grey }
