package paper

import (
	"fmt"
	"strings"
	"unicode"

	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/text/unicode/norm"
)

// family is the name of the font: the Go fonts, which hold Latin, Greek and
// Cyrillic.
const family = "go"

// style is a cut of the font, as the PDF library calls it.
type style string

const (
	regular style = ""
	bold    style = "B"
)

func (s style) font() []byte {
	if s == bold {
		return gobold.TTF
	}
	return goregular.TTF
}

// align says where a line stands in its room.
type align string

const (
	left  align = "L"
	right align = "R"
)

// lineHeight is the height of a line of type: 1.35 times its size, in mm.
func lineHeight(points float64) float64 { return points * 1.35 * 25.4 / 72 }

// glyphs tells which characters the font draws.
var glyphs = func() *sfnt.Font {
	// The font is part of the program; that it can be read is tested.
	font, err := sfnt.Parse(goregular.TTF)
	if err != nil {
		return nil
	}
	return font
}()

// Printable is text as it can be printed: composed (NFC), tabs as spaces, and each
// character that the font lacks as its code point, such as U+8F66, so that nothing
// is lost unseen. Line ends stay.
func Printable(text string) string {
	var out strings.Builder
	var buffer sfnt.Buffer
	for _, r := range norm.NFC.String(strings.ToValidUTF8(text, string(unicode.ReplacementChar))) {
		switch {
		case r == '\n':
			out.WriteRune(r)
		case r == '\t':
			out.WriteByte(' ')
		case r == '\u00a0' || r == '\u202f':
			out.WriteByte(' ')
		case drawn(r, &buffer):
			out.WriteRune(r)
		default:
			fmt.Fprintf(&out, "U+%04X", r)
		}
	}
	return out.String()
}

func drawn(r rune, buffer *sfnt.Buffer) bool {
	if unicode.IsControl(r) || unicode.Is(unicode.Cf, r) || r > 0xFFFF || glyphs == nil {
		return false // the PDF library embeds the basic plane only
	}
	index, err := glyphs.GlyphIndex(buffer, r)
	return err == nil && index != 0
}

// Title writes the document's name.
func (d *Doc) Title(text string) {
	d.paragraph(text, bold, titleType, 0)
	d.Gap(1)
}

// Heading opens a part; it stays with what follows.
func (d *Doc) Heading(text string) {
	d.Gap(3)
	d.Keep(lineHeight(headingType) + 3*lineHeight(bodyType))
	d.paragraph(text, bold, headingType, 0)
	d.Gap(0.8)
}

// Text writes a paragraph.
func (d *Doc) Text(text string) { d.paragraph(text, regular, bodyType, 0) }

// Strong writes a paragraph that stands out.
func (d *Doc) Strong(text string) { d.paragraph(text, bold, bodyType, 0) }

// Small writes a paragraph in small type.
func (d *Doc) Small(text string) { d.paragraph(text, regular, smallType, 0) }

// Caption writes a small paragraph above something that takes so much room, and
// stays with it.
func (d *Doc) Caption(text string, room float64) {
	lines := d.wrapped(text, regular, smallType, d.Width())
	d.Keep(float64(len(lines))*lineHeight(smallType) + room)
	d.Small(text)
}

// Huge writes what is read from far away, such as the number on a tag, made
// smaller until it fits into the room.
func (d *Doc) Huge(text string, points float64) {
	text = Printable(text)
	for points > bodyType && d.measure(text, bold, points) > d.Width() {
		points--
	}
	d.paragraph(text, bold, points, 0)
}

// List writes sentences, one below the other, each behind a dash.
func (d *Doc) List(items []string) {
	for _, item := range items {
		d.Keep(lineHeight(bodyType))
		y := d.pdf.GetY()
		d.pdf.SetXY(sideMargin, y)
		d.write("–", regular, bodyType, 4, left)
		d.pdf.SetY(y)
		d.paragraph(item, regular, bodyType, 4)
		d.Gap(0.6)
	}
}

// paragraph writes wrapped text at an indent, over pages where it must.
func (d *Doc) paragraph(text string, s style, points, indent float64) {
	for _, each := range d.wrapped(text, s, points, d.Width()-indent) {
		d.Keep(lineHeight(points))
		d.pdf.SetX(sideMargin + indent)
		d.write(each, s, points, d.Width()-indent, left)
		d.pdf.Ln(lineHeight(points))
	}
}

// write writes one line from the pen on.
func (d *Doc) write(text string, s style, points, width float64, a align) {
	d.pdf.SetFont(family, string(s), points)
	d.pdf.CellFormat(width, lineHeight(points), Printable(text), "", 0, string(a)+"M", false, 0, "")
}

// measure is how wide a text is. Widths of characters are asked for once, since
// the PDF library writes every change of font into the page.
func (d *Doc) measure(text string, s style, points float64) float64 {
	var width float64
	for _, r := range text {
		key := glyph{s, r}
		one, known := d.widths[key]
		if !known {
			d.pdf.SetFont(family, string(s), points)
			one = float64(d.pdf.GetStringSymbolWidth(string(r)))
			d.widths[key] = one
		}
		width += one
	}
	return width / 1000 * points * 25.4 / 72
}

// glyph is a character in a cut of the font.
type glyph struct {
	style style
	r     rune
}

// wrapped breaks text into lines of at most a width.
func (d *Doc) wrapped(text string, s style, points, width float64) []string {
	return wrap(Printable(text), width, func(part string) float64 { return d.measure(part, s, points) })
}

// wrap breaks text at spaces into lines of at most a width, and a word that is
// longer than a line within it. Measure must add up: a text measures what its
// characters measure. A text without content is one empty line.
func wrap(text string, width float64, measure func(string) float64) []string {
	var lines []string
	for paragraph := range strings.SplitSeq(text, "\n") {
		lines = append(lines, wrapOne(paragraph, width, measure)...)
	}
	return lines
}

func wrapOne(text string, width float64, measure func(string) float64) []string {
	var lines []string
	current, used := "", 0.0
	space := measure(" ")
	for word := range strings.FieldsSeq(text) {
		size := measure(word)
		if current != "" && used+space+size <= width {
			current, used = current+" "+word, used+space+size
			continue
		}
		if current != "" {
			lines = append(lines, current)
		}
		pieces := breakWord(word, width, measure)
		lines = append(lines, pieces[:len(pieces)-1]...)
		current = pieces[len(pieces)-1]
		used = measure(current)
	}
	return append(lines, current)
}

// breakWord cuts a word into pieces of at most a width, each of one character at
// least: behind a stroke or a dot where there is one, as names have, else anywhere.
func breakWord(word string, width float64, measure func(string) float64) []string {
	var pieces []string
	for rest := word; ; {
		end := fitting(rest, width, measure)
		if end == len(rest) {
			return append(pieces, rest)
		}
		if joint := strings.LastIndexAny(rest[:end], "/._"); joint > 0 {
			end = joint + 1
		}
		pieces = append(pieces, rest[:end])
		rest = rest[end:]
	}
}

// fitting is how many bytes of a word fit into a width, at least its first
// character.
func fitting(word string, width float64, measure func(string) float64) int {
	used := 0.0
	for i, r := range word {
		if used += measure(string(r)); used > width && i > 0 {
			return i
		}
	}
	return len(word)
}

// Blanks draws lines to write on, beside each other, each with its name below.
func (d *Doc) Blanks(names ...string) {
	const space, apart = 12.0, 6.0
	d.Keep(space + lineHeight(smallType))
	width := (d.Width() - apart*float64(len(names)-1)) / float64(len(names))
	y := d.pdf.GetY() + space
	d.pdf.SetLineWidth(0.2)
	for i, name := range names {
		x := sideMargin + float64(i)*(width+apart)
		d.pdf.Line(x, y, x+width, y)
		d.pdf.SetXY(x, y+0.5)
		d.write(name, regular, smallType, width, left)
	}
	d.pdf.SetY(y + 0.5 + lineHeight(smallType))
}
