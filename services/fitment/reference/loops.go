package reference

import (
	"math"
	"slices"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// sight is what a reading shows of a part's bridge.
type sight int

const (
	nothing sight = iota // it proves nothing
	inside               // within the window
	outside              // a number outside it
	clipped              // at the end of the module's display: high, or open
	burnt                // open or shorted
)

// usual is the window where the part's own is not known, in ohms (a trade paper of
// 2018).
var usual = &fitmentv1.ResistanceWindow{LowOhms: 1.4, HighOhms: 3.2}

// taken is a reading as far as it tells two readings apart.
type taken struct {
	kind                             fitmentv1.Part_Kind
	at                               place
	method                           fitmentv1.Reading_Method
	clip                             fitmentv1.Reading_Clip
	over, none                       bool
	ohms, lead, limit, off           float64
	meter                            [3]float64
	stage                            int32
	hasOhms, hasLead, hasLimit, hasM bool
	hasAt, hasOff                    bool
}

func takenOf(r *fitmentv1.Reading) taken {
	m := r.GetMeter()
	return taken{
		kind: r.GetKind(), at: placeOf(r.GetPosition()), method: r.GetMethod(), clip: r.GetShortingClip(),
		over: r.GetOverRange(), none: r == nil, ohms: r.GetOhms(), lead: r.GetLeadOhms(), limit: r.GetDisplayLimitOhms(),
		off: r.GetBatteryOffMinutes(), meter: [3]float64{m.GetPercentOfReading(), m.GetCounts(), m.GetResolutionOhms()}, stage: r.GetStage(),
		hasOhms: r != nil && r.Ohms != nil, hasLead: r != nil && r.LeadOhms != nil, hasLimit: r != nil && r.DisplayLimitOhms != nil,
		hasM: m != nil, hasAt: r.GetPosition() != nil, hasOff: r != nil && r.BatteryOffMinutes != nil,
	}
}

// tried is what the loop readings come to: how often each sight was seen, and of
// which stages a sight is shown.
type tried struct {
	seen  map[sight]int
	shown map[int32]bool
	// last is the highest stage of which something was seen.
	last int32
	// other is what was seen in readings of another place than needed, where it is
	// not stated from which one the part was pulled.
	other map[sight]int
}

// readings answers whether every squib reads inside the window, and whether it
// reads as one that has not fired.
func (c *item) readings() (window, loop Answer) {
	limits := c.label().GetWindow()
	own := limits != nil
	if !own {
		limits = usual
	}
	t := c.try(limits)
	squibs := max(c.squibs(), t.last)
	all := truth(len(t.shown) > 0)
	for stage := int32(1); stage <= squibs; stage++ {
		all = both(all, truth(squibs == 1 || t.shown[stage]))
	}
	if all == No { // a squib that was not read may be good or bad
		all = Unknown
	}
	off := t.seen[outside] + t.seen[clipped]
	switch {
	case t.seen[burnt] > 0:
		return No, No
	case off > 0 && own && (t.seen[inside] == 0 || squibs > 1):
		window = No
	case off > 0, t.other[burnt]+t.other[outside]+t.other[clipped] > 0:
		window = Unknown
	default:
		window = all
	}
	if loop = all; t.seen[clipped]+t.other[clipped]+t.other[burnt] > 0 {
		loop = Unknown
	}
	return window, loop
}

// try looks at every reading; what is entered twice was read once.
func (c *item) try(limits *fitmentv1.ResistanceWindow) tried {
	level := map[taken]fitmentv1.Evidence_Level{}
	for _, e := range c.listing.GetEvidence() {
		if e.GetAttribute() == aLoop {
			one := takenOf(e.GetReading())
			level[one] = max(level[one], e.GetLevel())
		}
	}
	t := tried{seen: map[sight]int{}, shown: map[int32]bool{}, other: map[sight]int{}}
	for one, l := range level {
		what := c.shows(one, limits)
		if what == nothing {
			continue
		}
		if !c.fromHere(one.at) {
			t.other[what]++
			continue
		}
		t.seen[what]++
		t.last = max(t.last, one.stage)
		if l >= fitmentv1.Evidence_SHOWN {
			t.shown[one.stage] = true
		}
	}
	return t
}

// squibs is the most stages that anything says the part has.
func (c *item) squibs() int32 {
	most := max(1, c.need.GetStages(), listen(c.listing, aStages).figure())
	if label := c.label(); label != nil {
		return max(most, label.GetStages())
	}
	for _, r := range c.rights {
		most = max(most, r.part.GetStages())
	}
	return most
}

// ours tells whether what a reading names of its part contradicts nothing.
func (c *item) ours(t taken) bool {
	kinds := []string{kindOf(&fitmentv1.Part{Kind: c.need.GetKind()}), kindOf(&fitmentv1.Part{Kind: c.listing.GetKind()})}
	if stated := listen(c.listing, aKind); stated.said() {
		kinds = append(kinds, stated.value)
	}
	for _, kind := range kinds {
		if t.kind != 0 && kind != "" && kind != t.kind.String() {
			return false
		}
	}
	at := []place{placeOf(c.listing.GetPosition())}
	if stated := listen(c.listing, aPosition); stated.said() {
		at = append(at, place{int32(stated.value[0] - '0'), fitmentv1.Position_Side(fitmentv1.Position_Side_value[stated.value[2:]])})
	}
	return !slices.ContainsFunc(at, func(p place) bool { return apart(p, t.at) })
}

// apart tells whether two places differ in something that both state.
func apart(a, b place) bool {
	return (a.row != 0 && b.row != 0 && a.row != b.row) || (a.side != 0 && b.side != 0 && a.side != b.side)
}

// fromHere tells whether a reading of a place is of the part, as far as it is known
// from where it was pulled: where that is not stated, one of another place than
// needed may be of this part or not.
func (c *item) fromHere(at place) bool {
	return listen(c.listing, aPosition).said() || !apart(c.place, at)
}

// shows judges a reading.
func (c *item) shows(t taken, w *fitmentv1.ResistanceWindow) sight {
	module := t.method == fitmentv1.Reading_MODULE_REPORTED
	switch {
	case t.none || !c.ours(t) || t.stage < 0 || t.stage > 8,
		!module && t.method != fitmentv1.Reading_METER_AT_COMPONENT, // others read the loop without the part
		!module && t.clip != fitmentv1.Reading_OUT,
		!t.over && !t.hasOhms:
		return nothing
	case t.over && !module:
		return burnt
	case t.over && !t.hasLimit:
		return atEnd(6.3, w) // the lowest end of a module's display that service data knows
	case t.over || (module && t.hasLimit && t.ohms >= t.limit):
		return atEnd(t.limit, w)
	}
	return t.number(module, w)
}

// number judges a number: the true value lies somewhere around it, normally
// distributed, and a class is given where it has a probability of at least 95 %
// (JCGM 106:2012). Over 1000 ohms is open, under 0.5 ohms shorted (common practice,
// no source).
func (t taken) number(module bool, w *fitmentv1.ResistanceWindow) sight {
	accurate := t.meter != [3]float64{}
	value := t.ohms - t.lead
	if !accurate && !module {
		if value >= 10*max(1000, w.GetHighOhms()) {
			return burnt
		}
		return nothing
	}
	spread := t.spread(t.ohms, accurate)
	if t.hasLead {
		spread = math.Hypot(spread, t.spread(t.lead, accurate))
	}
	within := func(low, high float64) bool { return chance(low, high, value, spread) >= 0.95 }
	infinite := math.Inf(1)
	switch {
	case value < -3*spread:
		return nothing
	case within(max(1000, w.GetHighOhms()), infinite), within(-infinite, min(0.5, w.GetLowOhms())):
		return burnt
	case within(w.GetLowOhms(), w.GetHighOhms()):
		return inside
	case within(w.GetHighOhms(), infinite), within(-infinite, w.GetLowOhms()):
		return outside
	}
	return nothing
}

// atEnd judges a value at the end of a module's display.
func atEnd(end float64, w *fitmentv1.ResistanceWindow) sight {
	if chance(w.GetHighOhms(), math.Inf(1), end, taken{}.spread(end, false)) >= 0.95 {
		return clipped
	}
	return nothing
}

// spread is the standard uncertainty of a value: half-widths are rectangular, so
// over √3, and one digit without counts over √12 (GUM). A module that states no
// accuracy is taken to be within 15 %, at least 0.3 ohms (a squib-driver data
// sheet's thresholds).
func (t taken) spread(ohms float64, accurate bool) float64 {
	percent, counts, digit := t.meter[0], t.meter[1], t.meter[2]
	switch share := percent / 100 * ohms; {
	case !accurate:
		return max(0.3, 0.15*ohms) / math.Sqrt(3)
	case counts > 0:
		return (share + counts*digit) / math.Sqrt(3)
	default:
		return math.Sqrt(share*share/3 + digit*digit/12)
	}
}

// chance is the probability that a value lies from low to high.
func chance(low, high, value, spread float64) float64 {
	up := func(x float64) float64 { return (1 + math.Erf((x-value)/(spread*math.Sqrt2))) / 2 }
	return up(high) - up(low)
}
