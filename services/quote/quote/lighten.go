package quote

import quotev1 "beltwright.example/proto/beltwright/quote/v1"

// MaxDetailed is how many options of a line tell their workings, transport and
// what the law and the maker ask. A quote is kept whole and must fit into one
// record: where that does not suffice, Slim takes away more.
const MaxDetailed = 60

const noticeLight = "Workings, transport and what the law asks are told of the first options only; state more of the vehicle, or the number of the part to be replaced, to see fewer."

// Lighten takes from the options beyond the first so many what only explains
// them, and tells whether it took anything. The options stand in plan order; the
// new part that the plan falls back on keeps everything, too.
func Lighten(options []*quotev1.Option, keep int) bool {
	taken := false
	for i, o := range options {
		if i < keep || o.GetFallback() {
			continue
		}
		taken = taken || len(o.GetWorkings()) > 0
		lighten(o)
	}
	return taken
}

// lighten takes from an option what only explains it.
func lighten(o *quotev1.Option) {
	o.Workings, o.Transport, o.Obligations = nil, nil, nil
	o.ArrivalChecks, o.OneUse, o.ReplaceWith = nil, nil, nil
}
