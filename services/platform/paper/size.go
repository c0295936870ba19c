package paper

import fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"

// SizeOf is the size that a request asks for, A4 where it asks for none; false
// where there is no such paper.
func SizeOf(asked fitmentv1.Document_Paper) (Size, bool) {
	switch asked {
	case fitmentv1.Document_PAPER_UNSPECIFIED, fitmentv1.Document_A4:
		return A4, true
	case fitmentv1.Document_LETTER:
		return Letter, true
	default:
		return 0, false
	}
}
