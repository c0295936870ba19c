package catalogue_test

import (
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/platform/check"
)

var right1 = &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT}

func buckle(number string, uses ...*fitmentv1.Part_Application) *fitmentv1.Part {
	return &fitmentv1.Part{
		Maker: "Orbis Restraint", Number: number, Kind: fitmentv1.Part_BUCKLE_PRETENSIONER,
		Positions: []*fitmentv1.Position{right1}, Applications: uses,
	}
}

func kestrel(from, to int32) *fitmentv1.Part_Application {
	return &fitmentv1.Part_Application{Make: "Velorn", Model: "Kestrel", YearFrom: from, YearTo: to}
}

func need(year int32) *fitmentv1.Need {
	return &fitmentv1.Need{
		Vehicle: &fitmentv1.Vehicle{Make: " velorn ", Model: "KESTREL", ModelYear: year},
		Kind:    fitmentv1.Part_BUCKLE_PRETENSIONER, Position: right1,
	}
}

func filled(t *testing.T, records ...any) *catalogue.Catalogue {
	t.Helper()
	c := catalogue.New()
	for _, r := range records {
		var err error
		switch r := r.(type) {
		case *fitmentv1.Part:
			err = c.PutPart(r)
		case *fitmentv1.Supersession:
			err = c.PutSupersession(r)
		case *fitmentv1.Recall:
			err = c.PutRecall(r)
		default:
			t.Fatalf("%T is no record", r)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	return c
}

// found writes matches as "number:answer".
func found(matches []catalogue.Match) string {
	list := make([]string, 0, len(matches))
	for _, m := range matches {
		list = append(list, m.Part.GetNumber()+":"+m.Application.String())
	}
	return strings.Join(list, " ")
}

func TestApplicationsAreThreeValued(t *testing.T) {
	t.Parallel()
	limited := func(change func(*fitmentv1.Part_Application)) *fitmentv1.Part_Application {
		a := kestrel(2004, 2006)
		change(a)
		return a
	}
	cases := map[string]struct {
		use     *fitmentv1.Part_Application
		vehicle func(*fitmentv1.Vehicle)
		want    string
	}{
		"year inside":            {kestrel(2004, 2006), func(*fitmentv1.Vehicle) {}, "A:YES"},
		"first year":             {kestrel(2005, 2006), func(*fitmentv1.Vehicle) {}, "A:YES"},
		"last year":              {kestrel(2004, 2005), func(*fitmentv1.Vehicle) {}, "A:YES"},
		"year outside":           {kestrel(2006, 2008), func(*fitmentv1.Vehicle) {}, ""},
		"year not known":         {kestrel(2004, 2006), func(v *fitmentv1.Vehicle) { v.ModelYear = 0 }, "A:UNKNOWN"},
		"other model":            {kestrel(2004, 2006), func(v *fitmentv1.Vehicle) { v.Model = "Merlin" }, ""},
		"no model":               {kestrel(2004, 2006), func(v *fitmentv1.Vehicle) { v.Model = "" }, ""},
		"body not limited":       {kestrel(2004, 2006), func(v *fitmentv1.Vehicle) { v.Body = "estate" }, "A:YES"},
		"body matches":           {limited(func(a *fitmentv1.Part_Application) { a.Body = "Coupe" }), func(v *fitmentv1.Vehicle) { v.Body = "coupe" }, "A:YES"},
		"body differs":           {limited(func(a *fitmentv1.Part_Application) { a.Body = "Coupe" }), func(v *fitmentv1.Vehicle) { v.Body = "estate" }, ""},
		"body not known":         {limited(func(a *fitmentv1.Part_Application) { a.Body = "Coupe" }), func(*fitmentv1.Vehicle) {}, "A:UNKNOWN"},
		"drive side differs":     {limited(func(a *fitmentv1.Part_Application) { a.DriveSide = fitmentv1.Vehicle_LEFT }), func(v *fitmentv1.Vehicle) { v.DriveSide = fitmentv1.Vehicle_RIGHT }, ""},
		"drive side not known":   {limited(func(a *fitmentv1.Part_Application) { a.DriveSide = fitmentv1.Vehicle_LEFT }), func(*fitmentv1.Vehicle) {}, "A:UNKNOWN"},
		"market not known":       {limited(func(a *fitmentv1.Part_Application) { a.Market = "US" }), func(*fitmentv1.Vehicle) {}, "A:UNKNOWN"},
		"built on the first day": {limited(func(a *fitmentv1.Part_Application) { a.BuiltFrom = "2005-03-01" }), func(v *fitmentv1.Vehicle) { v.BuildDate = "2005-03-01" }, "A:YES"},
		"built a day early":      {limited(func(a *fitmentv1.Part_Application) { a.BuiltFrom = "2005-03-01" }), func(v *fitmentv1.Vehicle) { v.BuildDate = "2005-02-28" }, ""},
		"built on the last day":  {limited(func(a *fitmentv1.Part_Application) { a.BuiltTo = "2005-03-01" }), func(v *fitmentv1.Vehicle) { v.BuildDate = "2005-03-01" }, "A:YES"},
		"built a day late":       {limited(func(a *fitmentv1.Part_Application) { a.BuiltTo = "2005-03-01" }), func(v *fitmentv1.Vehicle) { v.BuildDate = "2005-03-02" }, ""},
		// 49 CFR 565.3(j): a model year is not a calendar year, so the year decides nothing here.
		"build not known": {limited(func(a *fitmentv1.Part_Application) { a.BuiltFrom = "2005-03-01" }), func(*fitmentv1.Vehicle) {}, "A:UNKNOWN"},
		"build no date":   {limited(func(a *fitmentv1.Part_Application) { a.BuiltFrom = "2005-03-01" }), func(v *fitmentv1.Vehicle) { v.BuildDate = "March" }, "A:UNKNOWN"},
	}
	for name, c := range cases {
		n := need(2005)
		c.vehicle(n.GetVehicle())
		if got := found(filled(t, buckle("A", c.use)).Right(n)); got != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
}

// Two lines that cover a vehicle between them are a yes although each is open.
func TestApplicationsCoverTogether(t *testing.T) {
	t.Parallel()
	line := func(side fitmentv1.Vehicle_DriveSide, from, to string) *fitmentv1.Part_Application {
		a := kestrel(2004, 2006)
		a.DriveSide, a.BuiltFrom, a.BuiltTo = side, from, to
		return a
	}
	left, right := fitmentv1.Vehicle_LEFT, fitmentv1.Vehicle_RIGHT
	cases := map[string]struct {
		uses []*fitmentv1.Part_Application
		want string
	}{
		"both drive sides":               {[]*fitmentv1.Part_Application{line(left, "", ""), line(right, "", "")}, "A:YES"},
		"one drive side twice":           {[]*fitmentv1.Part_Application{line(left, "", "2005-02-28"), line(left, "2005-03-01", "")}, "A:UNKNOWN"},
		"before and after":               {[]*fitmentv1.Part_Application{line(0, "", "2005-02-28"), line(0, "2005-03-01", "")}, "A:YES"},
		"a day between":                  {[]*fitmentv1.Part_Application{line(0, "", "2005-02-27"), line(0, "2005-03-01", "")}, "A:UNKNOWN"},
		"a change on one drive side":     {[]*fitmentv1.Part_Application{line(left, "", ""), line(right, "2005-03-01", "")}, "A:UNKNOWN"},
		"sides and dates, all four":      {[]*fitmentv1.Part_Application{line(left, "", "2005-02-28"), line(left, "2005-03-01", ""), line(right, "", "2005-05-31"), line(right, "2005-06-01", "")}, "A:YES"},
		"sides and dates, one is absent": {[]*fitmentv1.Part_Application{line(left, "", "2005-02-28"), line(left, "2005-03-01", ""), line(right, "", "2005-05-31")}, "A:UNKNOWN"},
	}
	for name, c := range cases {
		if got := found(filled(t, buckle("A", c.uses...)).Right(need(2005))); got != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
}

func TestPositionsDecide(t *testing.T) {
	t.Parallel()
	c := filled(t, buckle("A", kestrel(2004, 2006)))
	n := need(2005)
	n.Position = &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_LEFT}
	if got := found(c.Right(n)); got != "" {
		t.Errorf("the other side: %q", got)
	}
	n.Position = nil
	if got := found(c.Right(n)); got != "A:UNKNOWN" {
		t.Errorf("no side: %q", got)
	}
	module := &fitmentv1.Part{Maker: "Orbis Restraint", Number: "M1", Kind: fitmentv1.Part_CONTROL_MODULE, Applications: []*fitmentv1.Part_Application{kestrel(2004, 2006)}}
	n = need(2005)
	n.Kind, n.Position = fitmentv1.Part_CONTROL_MODULE, nil
	if got := found(filled(t, module).Right(n)); got != "M1:YES" {
		t.Errorf("a vehicle has one control module: %q", got)
	}
}

// A→B where the year is at most 2010; B→C; A is the right part. Any number of
// steps, in the direction stated, the conditions three-valued.
func TestSupersessionIsDirectedAndConditional(t *testing.T) {
	t.Parallel()
	step := func(older, newer string, from, to int32, market string) *fitmentv1.Supersession {
		return &fitmentv1.Supersession{Name: "supersessions/" + older + newer, Maker: "ORBIS restraint", OldNumber: older, NewNumber: newer, YearFrom: from, YearTo: to, Market: market}
	}
	c := filled(t, buckle("A", kestrel(2005, 2012)), buckle("B"), buckle("Z"),
		step("A", "B", 0, 2010, ""), step("B", "C", 0, 0, ""), step("Z", "A", 0, 0, ""), step("A", "D", 0, 0, "US"))
	cases := map[string]struct {
		year   int32
		market string
		want   string
	}{
		"condition holds":     {2009, "US", "A:YES B:YES C:YES D:YES"},
		"condition fails":     {2011, "CA", "A:YES"},
		"market not known":    {2009, "", "A:YES B:YES C:YES D:UNKNOWN"},
		"year not known":      {0, "CA", "A:UNKNOWN B:UNKNOWN C:UNKNOWN"},
		"not for this year":   {2003, "US", ""},
		"holds in the US too": {2011, "US", "A:YES D:YES"},
	}
	for name, one := range cases {
		n := need(one.year)
		n.Vehicle.Market = one.market
		if got := found(c.Right(n)); got != one.want {
			t.Errorf("%s: %q, want %q", name, got, one.want)
		}
	}
	n := need(2009)
	for _, one := range []struct {
		newer, older string
		want         evidence.Answer
	}{{"B", "A", evidence.Yes}, {"A", "B", evidence.No}, {"C", "A", evidence.Yes}, {"C", "B", evidence.Yes}, {"C", "Z", evidence.Yes}, {"Z", "C", evidence.No}, {"D", "A", evidence.Unknown}} {
		if got := c.Replaces("Orbis Restraint", one.newer, one.older, n.GetVehicle()); got != one.want {
			t.Errorf("%s for %s: %v, want %v", one.newer, one.older, got, one.want)
		}
	}
}

func TestReplacedRecordsLeaveNoTrace(t *testing.T) {
	t.Parallel()
	c := filled(t, buckle("A-1", kestrel(2004, 2006)), buckle("a1", kestrel(2010, 2012)))
	if got := found(c.Right(need(2005))); got != "" {
		t.Errorf("the old application still answers: %q", got)
	}
	if got := len(c.PartByNumber("A.1")); got != 1 {
		t.Errorf("%d parts of one number", got)
	}
	if c.Part("orbis  restraint", "A/1") == nil || c.Part("Other", "A1") != nil || c.Part("Orbis Restraint", "") != nil {
		t.Error("a part is found by maker and number")
	}
	old := &fitmentv1.Supersession{Name: "supersessions/1", Maker: "Orbis Restraint", OldNumber: "a1", NewNumber: "B"}
	renewed := &fitmentv1.Supersession{Name: "supersessions/1", Maker: "Orbis Restraint", OldNumber: "a1", NewNumber: "C"}
	for _, s := range []*fitmentv1.Supersession{old, renewed} {
		if err := c.PutSupersession(s); err != nil {
			t.Fatal(err)
		}
	}
	if got := found(c.Right(need(2011))); got != "C:YES a1:YES" && got != "a1:YES C:YES" {
		t.Errorf("after the change: %q", got)
	}
	for _, err := range []error{
		c.PutPart(&fitmentv1.Part{Number: "_"}),
		c.PutSupersession(&fitmentv1.Supersession{OldNumber: "A", NewNumber: "?"}),
		c.PutRecall(&fitmentv1.Recall{PartNumber: "?"}),
	} {
		if err == nil {
			t.Error("a record without a usable number is accepted")
		}
	}
}

func TestPartNames(t *testing.T) {
	t.Parallel()
	if name, err := catalogue.PartName(" Orbis  Restraint & Co. ", "ab-12/3"); name != "parts/orbis-restraint-co.AB123" || err != nil {
		t.Errorf("%q, %v", name, err)
	}
	for _, pair := range [][2]string{{"", "A1"}, {"&&", "A1"}, {strings.Repeat("x", 61), "A1"}, {"Orbis", "?"}} {
		if name, err := catalogue.PartName(pair[0], pair[1]); err == nil {
			t.Errorf("%q is accepted as %q", pair, name)
		}
	}
}

var today = time.Date(2026, 6, 30, 15, 0, 0, 0, time.UTC)

// 49 CFR 573.12: nothing under recall is sold unless remedied; absence of notices
// proves nothing unless the set is stated to be complete.
func TestRecallState(t *testing.T) {
	t.Parallel()
	notice := func(change func(*fitmentv1.Recall)) *fitmentv1.Recall {
		r := &fitmentv1.Recall{Name: "recalls/n", Type: fitmentv1.Recall_NOTICE, Number: "N1", PartMaker: "Orbis Restraint"}
		change(r)
		return r
	}
	coverage := func(asOf string, change func(*fitmentv1.Recall)) *fitmentv1.Recall {
		r := &fitmentv1.Recall{Name: "recalls/c" + asOf, Type: fitmentv1.Recall_COVERAGE, Number: "C1", AsOf: asOf, PartMaker: "orbis restraint", Kind: fitmentv1.Part_BUCKLE_PRETENSIONER}
		change(r)
		return r
	}
	as := func(*fitmentv1.Recall) {}
	full := catalogue.RecallQuery{
		Maker: "Orbis Restraint", Number: "A-1", Kind: fitmentv1.Part_BUCKLE_PRETENSIONER,
		Vehicle: &fitmentv1.Vehicle{Make: "Velorn", Model: "Kestrel", ModelYear: 2006}, Today: today, MaxAgeDays: 30,
	}
	cases := map[string]struct {
		records []any
		ask     func(*catalogue.RecallQuery)
		want    evidence.Answer
	}{
		"nothing loaded":              {nil, nil, evidence.Unknown},
		"complete and recent":         {[]any{coverage("2026-06-20", as)}, nil, evidence.Yes},
		"complete today":              {[]any{coverage("2026-06-30", as)}, nil, evidence.Yes},
		"30 days old":                 {[]any{coverage("2026-05-31", as)}, nil, evidence.Yes},
		"31 days old":                 {[]any{coverage("2026-05-30", as)}, nil, evidence.Unknown},
		"from tomorrow":               {[]any{coverage("2026-07-01", as)}, nil, evidence.Unknown},
		"of another kind":             {[]any{coverage("2026-06-20", func(r *fitmentv1.Recall) { r.Kind = fitmentv1.Part_KNEE_AIR_BAG })}, nil, evidence.Unknown},
		"of every kind":               {[]any{coverage("2026-06-20", func(r *fitmentv1.Recall) { r.Kind = 0 })}, nil, evidence.Yes},
		"of this number":              {[]any{coverage("2026-06-20", func(r *fitmentv1.Recall) { r.PartNumber = "a1" })}, nil, evidence.Yes},
		"of another number":           {[]any{coverage("2026-06-20", func(r *fitmentv1.Recall) { r.PartNumber = "A2" })}, nil, evidence.Unknown},
		"of a number, part's unknown": {[]any{coverage("2026-06-20", func(r *fitmentv1.Recall) { r.PartNumber = "A1" })}, func(q *catalogue.RecallQuery) { q.Number = "" }, evidence.Unknown},
		"maker not known":             {[]any{coverage("2026-06-20", as)}, func(q *catalogue.RecallQuery) { q.Maker = "" }, evidence.Unknown},
		"notice":                      {[]any{coverage("2026-06-20", as), notice(as)}, nil, evidence.No},
		"notice, no coverage":         {[]any{notice(as)}, nil, evidence.No},
		"notice for the number":       {[]any{coverage("2026-06-20", as), notice(func(r *fitmentv1.Recall) { r.PartNumber = "A 1" })}, nil, evidence.No},
		"notice for another number":   {[]any{coverage("2026-06-20", as), notice(func(r *fitmentv1.Recall) { r.PartNumber = "A2" })}, nil, evidence.Yes},
		"notice, number not known":    {[]any{coverage("2026-06-20", as), notice(func(r *fitmentv1.Recall) { r.PartNumber = "A1" })}, func(q *catalogue.RecallQuery) { q.Number = "" }, evidence.Unknown},
		"notice for other years":      {[]any{coverage("2026-06-20", as), notice(func(r *fitmentv1.Recall) { r.YearTo = 2005 })}, nil, evidence.Yes},
		"notice, year not known":      {[]any{coverage("2026-06-20", as), notice(func(r *fitmentv1.Recall) { r.YearTo = 2005 })}, func(q *catalogue.RecallQuery) { q.Vehicle = nil }, evidence.Unknown},
		"notice for another model":    {[]any{coverage("2026-06-20", as), notice(func(r *fitmentv1.Recall) { r.Make, r.Model = "Velorn", "Merlin" })}, nil, evidence.Yes},
		"notice for the model":        {[]any{coverage("2026-06-20", as), notice(func(r *fitmentv1.Recall) { r.Make, r.Model = "velorn", "kestrel" })}, nil, evidence.No},
		"notice for another kind":     {[]any{coverage("2026-06-20", as), notice(func(r *fitmentv1.Recall) { r.Kind = fitmentv1.Part_KNEE_AIR_BAG })}, nil, evidence.Yes},
		"kind not known":              {[]any{coverage("2026-06-20", func(r *fitmentv1.Recall) { r.Kind = 0 }), notice(func(r *fitmentv1.Recall) { r.Kind = fitmentv1.Part_KNEE_AIR_BAG })}, func(q *catalogue.RecallQuery) { q.Kind = 0 }, evidence.Unknown},
		"notice of another maker":     {[]any{coverage("2026-06-20", as), notice(func(r *fitmentv1.Recall) { r.PartMaker = "Other" })}, nil, evidence.Yes},
		"a notice taken back":         {[]any{coverage("2026-06-20", as), notice(as), notice(func(r *fitmentv1.Recall) { r.PartMaker = "Other" })}, nil, evidence.Yes},
	}
	for name, c := range cases {
		q := full
		if c.ask != nil {
			c.ask(&q)
		}
		if got := filled(t, c.records...).RecallState(q); got.Free != c.want || got.Reason == "" {
			t.Errorf("%s: %v (%s), want %v", name, got.Free, got.Reason, c.want)
		}
	}
}

func TestNoMakerIsNeverFreeOfRecalls(t *testing.T) {
	t.Parallel()
	of := func(maker, number string) *fitmentv1.Recall {
		return &fitmentv1.Recall{Name: "recalls/" + maker + number, Type: fitmentv1.Recall_NOTICE, Number: "N1", PartMaker: maker, PartNumber: number}
	}
	c := filled(t, of("Orbis Restraint", "Z-9"), of("Other", "z9"), of("Other", "Z8"), of("Other", ""))
	got := c.RecallState(catalogue.RecallQuery{Number: "Z9", Today: today, MaxAgeDays: 30})
	if got.Free != evidence.Unknown || !got.Possible || len(got.Notices) != 2 {
		t.Errorf("of any maker: %v", got)
	}
	if got = c.RecallState(catalogue.RecallQuery{Number: "Z7", Today: today}); got.Free != evidence.Unknown || got.Possible || len(got.Notices) != 0 {
		t.Errorf("no notice names it: %v", got)
	}
	c = filled(t)
	for i := range 3 * catalogue.MaxPossible {
		if err := c.PutRecall(of("Other", "A"+strconv.Itoa(i))); err != nil {
			t.Fatal(err)
		}
	}
	if got = c.RecallState(catalogue.RecallQuery{Maker: "other", Today: today}); !got.Possible || len(got.Notices) != catalogue.MaxPossible {
		t.Errorf("%d notices are listed", len(got.Notices))
	}
}

func TestOneMakerOfANumber(t *testing.T) {
	t.Parallel()
	step := func(maker, older, newer string) *fitmentv1.Supersession {
		return &fitmentv1.Supersession{Name: "supersessions/1", Maker: maker, OldNumber: older, NewNumber: newer}
	}
	notice := func(maker string) *fitmentv1.Recall {
		return &fitmentv1.Recall{Name: "recalls/1", Type: fitmentv1.Recall_NOTICE, Number: "N1", PartMaker: maker, PartNumber: "A-1"}
	}
	cases := map[string]struct {
		records []any
		other   string
		want    bool
	}{
		"nothing known":            {nil, "", true},
		"one part":                 {[]any{buckle("A1")}, "", true},
		"the same by another name": {[]any{buckle("A1")}, "ORBIS  restraint", true},
		"another":                  {[]any{buckle("A1")}, "Other", false},
		"a step's old number":      {[]any{buckle("A1"), step("Other", "a 1", "B")}, "", false},
		"a step's new number":      {[]any{buckle("A1"), step("Other", "B", "a 1")}, "", false},
		"a step taken back":        {[]any{buckle("A1"), step("Other", "A1", "B"), step("Other", "C", "B")}, "", true},
		"a notice":                 {[]any{buckle("A1"), notice("Other")}, "", false},
		"a notice taken back":      {[]any{buckle("A1"), notice("Other"), notice("Orbis Restraint")}, "", true},
	}
	for name, c := range cases {
		if got := filled(t, c.records...).OneMaker("a-1", c.other); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}

// A decision asks twice; 10,000 notices of one maker and kind must not be walked.
func BenchmarkRecallState(b *testing.B) {
	for _, size := range []int{10, 10_000} {
		c := catalogue.New()
		for i := range size {
			err := c.PutRecall(&fitmentv1.Recall{
				Name: "recalls/" + strconv.Itoa(i), Type: fitmentv1.Recall_NOTICE, Number: "N1", PartMaker: "Orbis Restraint",
				PartNumber: "A" + strconv.Itoa(i), Kind: fitmentv1.Part_BUCKLE_PRETENSIONER, Make: "Velorn", Model: "Kestrel",
			})
			if err != nil {
				b.Fatal(err)
			}
		}
		q := catalogue.RecallQuery{
			Maker: "orbis restraint", Number: "A5", Kind: fitmentv1.Part_BUCKLE_PRETENSIONER,
			Vehicle: &fitmentv1.Vehicle{Make: "Velorn", Model: "Merlin", ModelYear: 2006}, Today: today, MaxAgeDays: 30,
		}
		b.Run(strconv.Itoa(size)+" notices", func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				c.RecallState(q)
			}
		})
		q.Number = ""
		b.Run(strconv.Itoa(size)+" notices, number not known", func(b *testing.B) {
			for b.Loop() {
				c.RecallState(q)
			}
		})
	}
}

func TestLongTextIsNotEchoedWhole(t *testing.T) {
	t.Parallel()
	long := strings.Repeat("é", 5000)
	var fields check.Fields
	catalogue.ValidateSupersession(&fitmentv1.Supersession{Maker: "Orbis", OldNumber: long, NewNumber: long, Market: long}, &fields)
	if len(fields.Violations()) < 3 {
		t.Errorf("%v", fields.Violations())
	}
	for _, v := range fields.Violations() {
		if len([]rune(v.Problem)) > 100 {
			t.Errorf("%s: %d runes", v.Field, len([]rune(v.Problem)))
		}
	}
}

func TestValidationNamesTheField(t *testing.T) {
	t.Parallel()
	good := func() *fitmentv1.Part {
		p := buckle("A-1", kestrel(2004, 2006))
		p.Window = &fitmentv1.ResistanceWindow{LowOhms: 1.5, HighOhms: 2.8}
		return p
	}
	cases := []struct {
		field  string
		change func(*fitmentv1.Part)
	}{
		{"", func(*fitmentv1.Part) {}},
		{"maker", func(p *fitmentv1.Part) { p.Maker = "" }},
		{"number", func(p *fitmentv1.Part) { p.Number = "A_1" }},
		{"kind", func(p *fitmentv1.Part) { p.Kind = 99 }},
		{"positions", func(p *fitmentv1.Part) { p.Positions = nil }},
		{"positions[0]", func(p *fitmentv1.Part) { p.Positions = []*fitmentv1.Position{{Row: 1}} }},
		{"connector.cavities", func(p *fitmentv1.Part) { p.Connector = &fitmentv1.Connector{Cavities: -1} }},
		{"stages", func(p *fitmentv1.Part) { p.Stages = 9 }},
		{"window.high_ohms", func(p *fitmentv1.Part) { p.Window.HighOhms = 1.5 }},
		{"service_life_years", func(p *fitmentv1.Part) { p.ServiceLifeYears = 101 }},
		{"applications[0].model", func(p *fitmentv1.Part) { p.Applications[0].Model = "" }},
		{"applications[0].year_from", func(p *fitmentv1.Part) { p.Applications[0].YearFrom = 1979 }},
		{"applications[0].year_to", func(p *fitmentv1.Part) { p.Applications[0].YearTo = 2003 }},
		{"applications[0].market", func(p *fitmentv1.Part) { p.Applications[0].Market = "us" }},
		{"applications[0].drive_side", func(p *fitmentv1.Part) { p.Applications[0].DriveSide = 7 }},
		{"applications[0].built_to", func(p *fitmentv1.Part) {
			p.Applications[0].BuiltFrom, p.Applications[0].BuiltTo = "2005-02-01", "2005-01-31"
		}},
	}
	for _, c := range cases {
		part := good()
		c.change(part)
		var fields check.Fields
		catalogue.ValidatePart(part, &fields)
		if got := named(&fields); !slices.Equal(got, strings.Fields(c.field)) {
			t.Errorf("%s: violations of %v", c.field, got)
		}
	}
}

func named(fields *check.Fields) []string {
	var list []string
	for _, v := range fields.Violations() {
		list = append(list, v.Field)
	}
	return list
}
