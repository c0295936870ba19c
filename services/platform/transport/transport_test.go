package transport_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"beltwright.example/services/platform/transport"
)

const (
	unknown = transport.Unknown
	no      = transport.No
	yes     = transport.Yes
)

// loose is a bag by itself, sent by someone who may.
func loose(mode transport.Mode, grams int64) transport.Consignment {
	return transport.Consignment{
		UN: transport.UN3268, Mode: mode, GrossGrams: grams,
		InComponent: no, TrainedShipper: yes, ToRecycler: no, NeverInstalled: no, TestedC: yes,
	}
}

func with(c transport.Consignment, change func(*transport.Consignment)) transport.Consignment {
	change(&c)
	return c
}

// The rows are 49 CFR 172.101 (entry UN3268: 25 kg on passenger and 100 kg on
// cargo aircraft), 172.102 (special provision 160), 173.166(d)(1) and (d)(4),
// 172.704, and PHMSA interpretations 16-0038 and 25-0159.
func TestDecide(t *testing.T) {
	t.Parallel()
	inSeat := func(c *transport.Consignment) { c.InComponent = yes }
	explosive := func(c *transport.Consignment) { c.UN = transport.UN0503 }
	cases := map[string]struct {
		in       transport.Consignment
		want     transport.Tri
		handling bool
		says     string
	}{
		"25 kg, passenger aircraft":        {loose(transport.PassengerAircraft, 25_000), yes, true, "at most 25 kg"},
		"a gram more, passenger aircraft":  {loose(transport.PassengerAircraft, 25_001), no, true, "this one weighs 25.001 kg"},
		"26 kg, passenger aircraft":        {loose(transport.PassengerAircraft, 26_000), no, true, "at most 25 kg"},
		"26 kg, cargo aircraft":            {loose(transport.CargoAircraft, 26_000), yes, true, "at most 100 kg"},
		"100 kg, cargo aircraft":           {loose(transport.CargoAircraft, 100_000), yes, true, "at most 100 kg"},
		"101 kg, cargo aircraft":           {loose(transport.CargoAircraft, 101_000), no, true, "at most 100 kg"},
		"101 kg, road":                     {loose(transport.Road, 101_000), yes, true, "class 9"},
		"no weight, passenger aircraft":    {loose(transport.PassengerAircraft, 0), unknown, true, "weight is not known"},
		"no weight, sea":                   {loose(transport.Sea, 0), yes, true, "class 9"},
		"seat, road":                       {with(loose(transport.Road, 30_000), inSeat), yes, false, "inside a completed component"},
		"seat, passenger aircraft":         {with(loose(transport.PassengerAircraft, 30_000), inSeat), unknown, true, "ask the carrier"},
		"seat from home, road":             {transport.Consignment{UN: transport.UN3268, InComponent: yes, Mode: transport.Road, TrainedShipper: no, TestedC: yes}, yes, false, "inside a completed component"},
		"in a seat or not, road":           {with(loose(transport.Road, 900), func(c *transport.Consignment) { c.InComponent = unknown }), unknown, true, "is not known"},
		"in a seat or not, from home":      {with(loose(transport.Road, 900), func(c *transport.Consignment) { c.InComponent, c.TrainedShipper = unknown, no }), unknown, true, "needs a trained shipper"},
		"in a seat or not, untested":       {with(loose(transport.Road, 900), func(c *transport.Consignment) { c.InComponent, c.TestedC = unknown, no }), no, true, "may not be called"},
		"seat, untested":                   {with(loose(transport.Road, 0), func(c *transport.Consignment) { c.InComponent, c.TestedC = yes, no }), no, true, "may not be called UN3268"},
		"seat, 1.4G":                       {with(with(loose(transport.Road, 0), inSeat), explosive), unknown, true, "1.4G"},
		"copy without the test":            {with(loose(transport.Road, 900), func(c *transport.Consignment) { c.TestedC = no }), no, true, "may not be called UN3268"},
		"test not known":                   {with(loose(transport.Road, 900), func(c *transport.Consignment) { c.TestedC = unknown }), unknown, true, "such as a copy"},
		"sold from home":                   {with(loose(transport.Road, 900), func(c *transport.Consignment) { c.TrainedShipper = no }), no, true, "needs a trained shipper"},
		"training not known":               {with(loose(transport.Road, 900), func(c *transport.Consignment) { c.TrainedShipper = unknown }), unknown, true, "not known"},
		"1.4G":                             {with(loose(transport.Road, 900), explosive), unknown, true, "EX number or product code"},
		"1.4G from home":                   {with(with(loose(transport.Road, 900), explosive), func(c *transport.Consignment) { c.TrainedShipper = no }), no, true, "needs a trained shipper"},
		"not classified":                   {with(loose(transport.Road, 900), func(c *transport.Consignment) { c.UN = "" }), unknown, true, "safety data sheet"},
		"handed over":                      {with(loose(transport.HandOver, 0), func(c *transport.Consignment) { c.TrainedShipper = no }), yes, false, "handed over in person"},
		"handed over, not classified":      {transport.Consignment{Mode: transport.HandOver}, unknown, false, "safety data sheet"},
		"handed over, 1.4G":                {with(loose(transport.HandOver, 0), explosive), unknown, false, "explosives law"},
		"handed over, copy without a test": {with(loose(transport.HandOver, 0), func(c *transport.Consignment) { c.TestedC = no }), no, false, "may not be called UN3268"},
	}
	for name, c := range cases {
		got, err := transport.Decide(c.in)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if got.Allowed != c.want || got.Handling != c.handling {
			t.Errorf("%s: allowed %s, handling %t; want %s, %t", name, got.Allowed, got.Handling, c.want, c.handling)
		}
		if !slices.ContainsFunc(got.Reasons, func(r transport.Reason) bool { return strings.Contains(r.Text, c.says) }) {
			t.Errorf("%s: no reason of %q says %q", name, got.Reasons, c.says)
		}
		for _, reason := range got.Reasons {
			if reason.Text == "" || reason.Source == "" {
				t.Errorf("%s: a reason without text or source: %+v", name, reason)
			}
		}
	}
}

func fact(t *testing.T, c transport.Consignment, name string) string {
	t.Helper()
	ruling, err := transport.Decide(c)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range ruling.Papers {
		if f.Source == "" {
			t.Errorf("%s has no source", f.Name)
		}
		if f.Name == name {
			return f.Value
		}
	}
	return ""
}

// 49 CFR 172.101 and 173.166; 78 FR 45880: class 9 needs no EX number any more,
// 1.4G does (PHMSA interpretation 25-0159).
func TestPapers(t *testing.T) {
	t.Parallel()
	nine := loose(transport.Road, 900)
	for name, want := range map[string]string{
		"proper shipping name": "Safety devices, electrically initiated", "class or division": "9", "UN number": "UN3268",
		"packing group": "none", "emergency response guide": "171", "EX number": "not needed on the papers", "stowage": "",
		"label": "CLASS 9 on every package or handling device",
	} {
		if got := fact(t, nine, name); got != want {
			t.Errorf("class 9, %s: %q, want %q", name, got, want)
		}
	}
	// PHMSA interpretation 13-0189 lets several devices share a box; for recycling,
	// 173.166(d)(4) allows one (from memory).
	if got := fact(t, nine, "packaging"); got != "49 CFR 173.166(e); several devices may share a box" {
		t.Errorf("packaging %q", got)
	}
	for toRecycler, never := range map[transport.Tri]transport.Tri{yes: no, unknown: unknown} {
		recycled := with(nine, func(c *transport.Consignment) { c.ToRecycler, c.NeverInstalled = toRecycler, never })
		if got := fact(t, recycled, "packaging"); !strings.HasSuffix(got, `only one into a box where the papers say "Recycled"`) {
			t.Errorf("to a recycler %s: packaging %q", toRecycler, got)
		}
	}
	explosive := with(nine, func(c *transport.Consignment) { c.UN = transport.UN0503 })
	for name, want := range map[string]string{
		"proper shipping name": "Safety devices, pyrotechnic", "class or division": "1.4G", "UN number": "UN0503",
		"EX number or product code": "needed", "label": "", "EX number": "",
	} {
		if got := fact(t, explosive, name); got != want {
			t.Errorf("1.4G, %s: %q, want %q", name, got, want)
		}
	}
	if ruling, err := transport.Decide(explosive); err != nil || !strings.Contains(ruling.Papers[0].Source, "German dangerous-goods reference list") {
		t.Errorf("1.4G: papers %v do not name where they are from; %v", ruling.Papers, err)
	}
	if got := fact(t, loose(transport.Sea, 900), "stowage"); got != "A" {
		t.Errorf("stowage %q", got)
	}
	if got := fact(t, loose(transport.CargoAircraft, 900), "packing instruction"); got != "961" {
		t.Errorf("packing instruction %q", got)
	}
	for name, c := range map[string]transport.Consignment{
		"in a seat":      with(nine, func(c *transport.Consignment) { c.InComponent = yes }),
		"handed over":    loose(transport.HandOver, 900),
		"not classified": with(nine, func(c *transport.Consignment) { c.UN = "" }),
	} {
		if ruling, err := transport.Decide(c); err != nil || len(ruling.Papers) != 0 {
			t.Errorf("%s: papers %v, %v", name, ruling.Papers, err)
		}
	}
}

// 49 CFR 173.166(d)(4) and PHMSA interpretation 25-0159: the word stands on the
// papers of a device that was removed from a vehicle and goes to a recycling
// facility; not for one that never was in a vehicle.
func TestTheWordRecycled(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		toRecycler, never transport.Tri
		says              string
	}{
		{yes, no, "right after the basic description"},
		{yes, yes, "not written: it never was"},
		{no, no, "not written: it does not go"},
		{no, unknown, "not written: it does not go"},
		{unknown, yes, "not written: it never was"},
		{unknown, no, "which is not known"},
		{yes, unknown, "which is not known"},
	} {
		for _, un := range []string{transport.UN3268, transport.UN0503} {
			consignment := with(loose(transport.Road, 900), func(in *transport.Consignment) {
				in.UN, in.ToRecycler, in.NeverInstalled = un, c.toRecycler, c.never
			})
			got := fact(t, consignment, `the word "Recycled"`)
			if !strings.Contains(got, c.says) || (got == "right after the basic description") != (c.toRecycler == yes && c.never == no) {
				t.Errorf("to a recycler %s, never installed %s: %q", c.toRecycler, c.never, got)
			}
		}
	}
}

func TestNoConsignment(t *testing.T) {
	t.Parallel()
	for says, change := range map[string]func(*transport.Consignment){
		"UN number":       func(c *transport.Consignment) { c.UN = "3268" },
		"mode":            func(c *transport.Consignment) { c.Mode = "" },
		"gross weight":    func(c *transport.Consignment) { c.GrossGrams = -1 },
		"out of range":    func(c *transport.Consignment) { c.GrossGrams = 100_000_001 },
		"in a component":  func(c *transport.Consignment) { c.InComponent = 7 },
		"trained shipper": func(c *transport.Consignment) { c.TrainedShipper = 3 },
		"to a recycler":   func(c *transport.Consignment) { c.ToRecycler = -1 },
		"never installed": func(c *transport.Consignment) { c.NeverInstalled = 9 },
		"tested 6(c)":     func(c *transport.Consignment) { c.TestedC = 3 },
	} {
		ruling, err := transport.Decide(with(loose(transport.Road, 900), change))
		if err == nil || !strings.Contains(err.Error(), says) || !cmp.Equal(ruling, transport.Ruling{}) {
			t.Errorf("%+v, %v; want %q", ruling, err, says)
		}
	}
}

// every yields all consignments over a grid of facts.
func every(yield func(transport.Consignment) bool) {
	tris := []transport.Tri{unknown, no, yes}
	for _, un := range []string{"", transport.UN3268, transport.UN0503} {
		for _, inComponent := range tris {
			for _, mode := range transport.Modes() {
				for _, grams := range []int64{0, 25_000, 25_001, 100_000, 100_001} {
					for facts := range 81 {
						if !yield(transport.Consignment{
							UN: un, InComponent: inComponent, Mode: mode, GrossGrams: grams,
							TrainedShipper: tris[facts%3], ToRecycler: tris[facts/3%3], NeverInstalled: tris[facts/9%3], TestedC: tris[facts/27],
						}) {
							return
						}
					}
				}
			}
		}
	}
}

// completes tells whether b is a with unknown facts filled in.
func completes(a, b transport.Consignment) bool {
	tri := func(x, y transport.Tri) bool { return x == y || x == unknown }
	return (a.UN == b.UN || a.UN == "") && tri(a.InComponent, b.InComponent) && a.Mode == b.Mode &&
		(a.GrossGrams == b.GrossGrams || a.GrossGrams == 0) && tri(a.TrainedShipper, b.TrainedShipper) &&
		tri(a.ToRecycler, b.ToRecycler) && tri(a.NeverInstalled, b.NeverInstalled) && tri(a.TestedC, b.TestedC)
}

// A yes or a no that is given while facts are missing stays, whatever they turn
// out to be; and no yes for what is not classified.
func TestWhatIsUnknownDecidesNothing(t *testing.T) {
	t.Parallel()
	rulings := map[transport.Consignment]transport.Tri{}
	groups := map[transport.Mode][]transport.Consignment{}
	for c := range every {
		ruling, err := transport.Decide(c)
		if err != nil {
			t.Fatal(err)
		}
		if c.UN == "" && ruling.Allowed == yes {
			t.Fatalf("%+v may be sent", c)
		}
		rulings[c] = ruling.Allowed
		groups[c.Mode] = append(groups[c.Mode], c)
	}
	counts := map[transport.Tri]int{}
	for a, answer := range rulings {
		counts[answer]++
		if answer == unknown {
			continue
		}
		for _, b := range groups[a.Mode] {
			if completes(a, b) && rulings[b] != answer {
				t.Fatalf("%+v: %s, yet %+v: %s", a, answer, b, rulings[b])
			}
		}
	}
	if counts[yes] == 0 || counts[no] == 0 || counts[unknown] == 0 {
		t.Errorf("answers %v: one of them is never given", counts)
	}
}
