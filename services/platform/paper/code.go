package paper

import (
	"fmt"
	"image/color"

	"github.com/boombuler/barcode"
	"github.com/boombuler/barcode/qr"
)

// quiet is the empty border of a QR code, in modules (ISO/IEC 18004, 6.3.8 in the
// edition of 2015; from memory).
const quiet = 4

// Code draws a text as a QR code of a side, border included, at the right edge,
// and the text below both, so that a person can read it too. Words draws what
// stands to its left; it should not be longer than the code is high. The error
// correction is level M, which mends about 15 % (ISO/IEC 18004; from memory).
func (d *Doc) Code(text string, side float64, words func()) {
	picture, err := qr.Encode(text, qr.M, qr.Auto)
	if err != nil {
		d.pdf.SetError(fmt.Errorf("a QR code of %d characters: %w", len(text), err))
		return
	}
	below := d.wrapped(text, regular, smallType, d.Width())
	d.Keep(side + float64(len(below))*lineHeight(smallType))
	top, page := d.pdf.GetY(), d.pdf.PageNo()
	d.modules(picture, sideMargin+d.Width()-side, top, side)
	d.pdf.SetY(top)
	d.narrow(side+4, words)
	if d.pdf.PageNo() == page {
		d.pdf.SetY(max(d.pdf.GetY(), top+side))
	}
	d.Small(text)
}

// narrow draws with less width.
func (d *Doc) narrow(by float64, draw func()) {
	d.less += by
	draw()
	d.less -= by
}

// modules draws the dark modules of a code, those beside each other as one, so
// that no hairline parts them.
func (d *Doc) modules(code barcode.Barcode, x, y, side float64) {
	bounds := code.Bounds()
	module := side / float64(bounds.Dx()+2*quiet)
	d.pdf.SetFillColor(shade(black))
	for row := range bounds.Dy() {
		for from := 0; from < bounds.Dx(); {
			to := from
			for to < bounds.Dx() && code.At(bounds.Min.X+to, bounds.Min.Y+row) == color.Black {
				to++
			}
			if to > from {
				d.pdf.Rect(x+float64(quiet+from)*module, y+float64(quiet+row)*module, float64(to-from)*module, module, "F")
			}
			from = max(to, from+1)
		}
	}
}
