package rules_test

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/fitment/rules"
)

// reference decides a listing the slow way: it lists the worlds that the
// statements leave possible, asks a two-valued question in each, and answers what
// all worlds agree on. It shares nothing with the engine but the messages, and
// knows only the world of worldOf: parts with one application each, and
// statements from the pools of the generators.
type reference struct {
	need  *fitmentv1.Need
	list  *fitmentv1.Listing
	parts []*fitmentv1.Part
	steps [][2]string
	// notices and covered are what is loaded of recalls, and whether the set is
	// complete and recent for Orbis.
	notices []noticed
	covered bool
	// rivals are numbers that Norrin uses too.
	rivals []string
}

// noticed is a recall of a maker's number, limited to a model where one is named.
type noticed struct{ maker, number, model string }

// held is what is stated of one attribute.
type held struct {
	value            string
	stated, conflict bool
	proven           bool
}

// hold reads the statements about an attribute.
func (r *reference) hold(attribute rules.Attribute) held {
	h := held{}
	add := func(value string, level fitmentv1.Evidence_Level) {
		value = plainForm(attribute, value)
		if h.stated && h.value != value || value == "!" {
			h.conflict = true
		}
		h.stated, h.value = true, value
		h.proven = h.proven || level > claimed
	}
	l := r.list
	switch attribute {
	case aNumber:
		if l.GetPartNumber() != "" {
			add(l.GetPartNumber(), claimed)
		}
	case aKind:
		if l.GetKind() != 0 {
			add(l.GetKind().String(), claimed)
		}
	case aPosition:
		if l.GetPosition() != nil {
			add(strconv.Itoa(int(l.GetPosition().GetRow()))+" "+l.GetPosition().GetSide().String(), claimed)
		}
	case aDriveSide:
		if l.GetDonor().GetDriveSide() != 0 {
			add(l.GetDonor().GetDriveSide().String(), claimed)
		}
	case aYear:
		if l.GetDonor().GetModelYear() != 0 {
			add(strconv.Itoa(int(l.GetDonor().GetModelYear())), claimed)
		}
	case aVIN:
		if l.GetDonor().GetVin() != "" {
			add(l.GetDonor().GetVin(), claimed)
		}
	default:
	}
	for _, e := range l.GetEvidence() {
		if e.GetAttribute() == attribute {
			add(e.GetValue(), e.GetLevel())
		}
	}
	return h
}

// plainForm is a value as compared, "!" where it cannot be read.
func plainForm(attribute rules.Attribute, value string) string {
	value = strings.ToLower(strings.TrimSpace(value))
	if attribute == aNumber {
		value = strings.NewReplacer("-", "", " ", "").Replace(value)
	}
	if value == "" || value == "?" {
		return "!"
	}
	return value
}

// worlds lists the values an attribute may truly have. good is the value that
// speaks for the part: only a proven good value is taken at its word, a bad one
// always is.
func (h held) worlds(good string, pool ...string) []string {
	switch {
	case !h.stated || h.conflict || (h.value == good && !h.proven):
		return append(pool, "something else")
	default:
		return []string{h.value}
	}
}

// all answers what a question says in every world.
func all(worlds []string, ask func(string) bool) evidence.Answer {
	trues := 0
	for _, w := range worlds {
		if ask(w) {
			trues++
		}
	}
	switch trues {
	case 0:
		return no
	case len(worlds):
		return yes
	default:
		return unknown
	}
}

// needs tells what a yes-or-no attribute says where the answer wanted is good.
func (r *reference) needs(attribute rules.Attribute, good string) evidence.Answer {
	return all(r.hold(attribute).worlds(good, "yes", "no"), func(w string) bool { return w == good })
}

// possible lists the vehicles that the need may mean.
func (r *reference) possible() []*fitmentv1.Vehicle {
	v := r.need.GetVehicle()
	years, builds, sides := []int32{v.GetModelYear()}, []string{v.GetBuildDate()}, []fitmentv1.Vehicle_DriveSide{v.GetDriveSide()}
	if v.GetModelYear() == 0 {
		years = []int32{2001, 2003, 2004, 2005, 2006, 2007, 2012}
	}
	if v.GetBuildDate() == "" {
		builds = []string{"2004-06-01", "2005-02-28", "2005-03-01", "2005-09-09"}
	}
	if v.GetDriveSide() == 0 {
		sides = []fitmentv1.Vehicle_DriveSide{fitmentv1.Vehicle_LEFT, fitmentv1.Vehicle_RIGHT}
	}
	var list []*fitmentv1.Vehicle
	for _, year := range years {
		for _, built := range builds {
			for _, side := range sides {
				list = append(list, &fitmentv1.Vehicle{Make: v.GetMake(), Model: v.GetModel(), ModelYear: year, BuildDate: built, DriveSide: side})
			}
		}
	}
	return list
}

// suits tells, for one fully known vehicle, whether a part is listed for it.
func (r *reference) suits(p *fitmentv1.Part, v *fitmentv1.Vehicle) bool {
	for _, a := range p.GetApplications() {
		if a.GetModel() == v.GetModel() && v.GetModelYear() >= a.GetYearFrom() && v.GetModelYear() <= a.GetYearTo() &&
			(a.GetDriveSide() == 0 || a.GetDriveSide() == v.GetDriveSide()) &&
			(a.GetBuiltFrom() == "" || v.GetBuildDate() >= a.GetBuiltFrom()) && (a.GetBuiltTo() == "" || v.GetBuildDate() <= a.GetBuiltTo()) {
			return r.placed(p, v)
		}
	}
	return false
}

// placed tells whether a part is made for the need's place in a vehicle.
func (r *reference) placed(p *fitmentv1.Part, v *fitmentv1.Vehicle) bool {
	if p.GetKind() != r.need.GetKind() {
		return false
	}
	if p.GetKind() == fitmentv1.Part_CONTROL_MODULE {
		return true
	}
	want := r.need.GetPosition()
	if p.GetKind() == fitmentv1.Part_DRIVER_AIR_BAG {
		want = left1
		if v.GetDriveSide() == fitmentv1.Vehicle_RIGHT {
			want = right1
		}
	}
	return slices.ContainsFunc(p.GetPositions(), func(at *fitmentv1.Position) bool {
		return at.GetRow() == want.GetRow() && at.GetSide() == want.GetSide()
	})
}

// disputed tells whether the listing's number may be another maker's: it names
// none, and a number is used by Norrin too, or is by Norrin on the part in the
// vehicle.
func (r *reference) disputed() bool {
	n := r.hold(aNumber)
	if r.list.GetPartMaker() != "" || !n.stated || n.conflict {
		return false
	}
	makers := map[string]bool{}
	if r.part(n.value) != nil || slices.ContainsFunc(r.steps, func(s [2]string) bool { return strings.EqualFold(s[0], n.value) || strings.EqualFold(s[1], n.value) }) {
		makers["Orbis"] = true
	}
	for _, rival := range r.rivals {
		if strings.EqualFold(rival, n.value) {
			makers["Norrin"] = true
		}
	}
	for _, x := range r.notices {
		if strings.EqualFold(x.number, n.value) {
			makers[x.maker] = true
		}
	}
	if maker := r.need.GetPartMaker(); maker != "" && n.value == plainForm(aNumber, r.need.GetPartNumber()) {
		makers[maker] = true
	}
	return len(makers) > 1
}

// maker is whose the listed part is, as far as it is known; of a listing, only
// Orbis is ever named.
func (r *reference) maker() string {
	n := r.hold(aNumber)
	switch {
	case r.list.GetPartMaker() != "":
		return r.list.GetPartMaker()
	case n.stated && !n.conflict && !r.disputed() && r.part(n.value) != nil:
		return "Orbis"
	case n.stated && !n.conflict && !r.disputed() && slices.Contains(r.rivals, strings.ToUpper(n.value)):
		return "Norrin"
	default:
		return ""
	}
}

// same tells whether the listing's number is that of the part to be replaced.
func (r *reference) same() bool {
	n, maker := r.hold(aNumber), r.need.GetPartMaker()
	return n.value == plainForm(aNumber, r.need.GetPartNumber()) && !r.disputed() && (maker == "" || r.maker() == "" || maker == r.maker())
}

func (r *reference) part(number string) *fitmentv1.Part {
	for _, p := range r.parts {
		if strings.EqualFold(p.GetNumber(), number) {
			return p
		}
	}
	return nil
}

// listed tells for how many of the possible vehicles a number is right, by its
// own application or by one step.
func (r *reference) listed(number string) evidence.Answer {
	vehicles := r.possible()
	texts := make([]string, len(vehicles))
	for i := range texts {
		texts[i] = strconv.Itoa(i)
	}
	return all(texts, func(i string) bool {
		at, _ := strconv.Atoi(i)
		if p := r.part(number); p != nil && r.suits(p, vehicles[at]) {
			return true
		}
		for _, s := range r.steps {
			if strings.EqualFold(s[1], number) && r.suits(r.part(s[0]), vehicles[at]) {
				return true
			}
		}
		return false
	})
}

// rights lists the numbers that may be right.
func (r *reference) rights() []string {
	var list []string
	for _, p := range r.parts {
		if r.listed(p.GetNumber()) != no {
			list = append(list, strings.ToLower(p.GetNumber()))
		}
	}
	return list
}

// number answers for the number alone: does the catalogue allow it?
func (r *reference) number() evidence.Answer {
	h := r.hold(aNumber)
	if !h.stated || h.conflict || r.disputed() {
		return unknown
	}
	answer := r.allows(h.value)
	if answer == yes && !h.proven {
		return unknown
	}
	return answer
}

func (r *reference) allows(number string) evidence.Answer {
	replaced := plainForm(aNumber, r.need.GetPartNumber())
	rights := r.rights()
	step := func(older, newer string) bool {
		return slices.ContainsFunc(r.steps, func(s [2]string) bool { return strings.EqualFold(s[0], older) && strings.EqualFold(s[1], newer) })
	}
	ours := r.need.GetPartMaker() != "Norrin" // all right parts are Orbis's
	if slices.Contains(rights, number) {
		if replaced == "!" || (ours && (slices.Contains(rights, replaced) || step(replaced, number))) {
			return yes
		}
		return unknown
	}
	p := r.part(number)
	elsewhere := p != nil && len(p.GetApplications()) > 0 && !slices.ContainsFunc(r.possible(), func(v *fitmentv1.Vehicle) bool { return r.coversIgnoringPlace(p, v) })
	switch {
	case r.same() && elsewhere:
		return unknown
	case r.same() || (ours && step(replaced, number)):
		return yes
	case elsewhere:
		return no
	case len(rights) == 0:
		return unknown
	}
	for _, right := range rights {
		if r.part(right) != nil && !slices.ContainsFunc(r.possible(), func(v *fitmentv1.Vehicle) bool { return r.suits(r.part(right), v) }) && step(right, number) {
			return unknown // a second step
		}
	}
	if p != nil && len(p.GetApplications()) == 0 && p.GetKind() == r.need.GetKind() {
		return unknown
	}
	return no
}

func (r *reference) coversIgnoringPlace(p *fitmentv1.Part, v *fitmentv1.Vehicle) bool {
	free := *r
	free.need = &fitmentv1.Need{Kind: p.GetKind(), Position: right1, Vehicle: v}
	if len(p.GetPositions()) > 0 {
		free.need.Position = p.GetPositions()[0]
	}
	if p.GetKind() == fitmentv1.Part_DRIVER_AIR_BAG {
		return v.GetModel() == "Kestrel" && v.GetModelYear() >= 2004 && v.GetModelYear() <= 2006 && v.GetDriveSide() == fitmentv1.Vehicle_LEFT
	}
	return free.suits(p, v)
}

// label is the part that a proven number stands for; same tells whether that is
// the number of the part to be replaced.
func (r *reference) label() (p *fitmentv1.Part, same bool) {
	h := r.hold(aNumber)
	if !h.stated || h.conflict || !h.proven || r.disputed() {
		return nil, false
	}
	return r.part(h.value), r.same()
}

// feature answers for a feature of the design: in every world that the statement
// and the label allow, is it what the vehicle wants?
func (r *reference) feature(attribute rules.Attribute, seen string, of func(*fitmentv1.Part) string) evidence.Answer {
	h := r.hold(attribute)
	label, same := r.label()
	want := seen
	if want == "" {
		numbers := r.rights()
		if label != nil && slices.Contains(numbers, strings.ToLower(label.GetNumber())) {
			numbers = []string{strings.ToLower(label.GetNumber())}
		}
		for i, number := range numbers {
			value := of(r.part(number))
			if i > 0 && value != want {
				want = ""
				break
			}
			want = value
		}
	}
	if h.conflict {
		return unknown
	}
	implied := ""
	if label != nil {
		implied = of(label)
	}
	if same {
		if (h.stated && h.value != want) || (implied != "" && want != "" && implied != want) {
			return unknown
		}
		return yes
	}
	if want == "" {
		return unknown
	}
	worlds := h.worlds(want, want, "zz")
	if implied != "" {
		if h.stated && h.value != implied { // no world is left
			return unknown
		}
		worlds = []string{implied}
	}
	return all(worlds, func(w string) bool { return w == want })
}

// vin answers for the donor's VIN, of which the generators draw four kinds.
func (r *reference) vin() evidence.Answer {
	h := r.hold(aVIN)
	switch {
	case !h.stated || h.conflict:
		return unknown
	case h.value == "nonsense":
		return no
	case h.value == strings.ToLower(badDigit):
		return no // the generators' donors are from the US, where the check digit counts
	}
	if y := r.hold(aYear); y.stated && !y.conflict && y.value != "2005" {
		return unknown
	}
	if !h.proven {
		return unknown
	}
	return yes
}

// concerned tells what each notice says of a part of a maker and number from a
// donor model, "" for what is not known: whether one covers it, and whether one
// may.
func (r *reference) concerned(maker, number, model string) (covers, may bool) {
	fits := func(limit, value string) evidence.Answer {
		switch {
		case limit == "" || strings.EqualFold(limit, value):
			return yes
		case value == "":
			return unknown
		}
		return no
	}
	for _, x := range r.notices {
		said := evidence.And(fits(x.maker, maker), fits(x.number, number), fits(x.model, model))
		covers, may = covers || said == yes, may || said == unknown
	}
	return covers, may
}

// recall answers by scanning every notice.
func (r *reference) recall() evidence.Answer {
	h, n := r.hold(aOpen), r.hold(aNumber)
	stated, maker := "", r.maker()
	if n.stated && !n.conflict {
		stated = n.value
	}
	label, same := r.label()
	if maker == "" && same {
		maker = r.need.GetPartMaker()
	}
	model := r.list.GetDonor().GetModel()
	covers, may := r.concerned(maker, stated, model)
	opened := h.stated && !h.conflict && h.value == "yes"
	if covers || opened {
		if m := r.hold(aRemedied); m.stated && !m.conflict && m.proven && m.value == "yes" {
			return unknown
		}
		return no
	}
	sure := "" // the maker, as far as it is proven
	switch {
	case label != nil:
		sure = "Orbis"
	case stated != "" && n.proven && !r.disputed() && r.list.GetPartMaker() == "" && slices.Contains(r.rivals, strings.ToUpper(stated)):
		sure = "Norrin"
	case same:
		sure = r.need.GetPartMaker()
	}
	if r.vin() != yes {
		model = ""
	}
	if !n.proven {
		stated = ""
	}
	_, might := r.concerned(sure, stated, model)
	switch {
	case h.conflict || sure == "" || might:
		return unknown
	case r.covered && sure == "Orbis":
		return yes
	case may:
		return unknown
	}
	if h.stated && h.value == "no" && h.proven && r.fresh() && r.vin() == yes {
		return yes
	}
	return unknown
}

// fresh tells whether the latest day of a query at the highest level is recent.
func (r *reference) fresh() bool {
	best, level := "", claimed
	for _, e := range r.list.GetEvidence() {
		if e.GetAttribute() == aOpen && (e.GetLevel() > level || (e.GetLevel() == level && e.GetDate() > best)) {
			best, level = e.GetDate(), e.GetLevel()
		}
	}
	day, err := time.Parse(time.DateOnly, best)
	return err == nil && !day.After(today) && today.Sub(day) < 31*24*time.Hour
}

// readings answers for the loop readings, of which the generators draw fixed
// values: 2.0 and 2.1 (in every window), 4.5 (above every window), over-range
// (open) and one with the clip in.
func (r *reference) readings() (window, loop evidence.Answer) {
	inside, above, open := 0, 0, 0
	shownStages, highest := map[int]bool{}, 0
	counted := map[string]bool{}
	for _, e := range r.list.GetEvidence() {
		reading := e.GetReading()
		if e.GetAttribute() != aLoop || reading == nil || reading.GetShortingClip() == fitmentv1.Reading_IN || !r.ofThis(reading) {
			continue
		}
		highest = max(highest, int(reading.GetStage()))
		if e.GetLevel() > claimed {
			shownStages[int(reading.GetStage())] = true
		}
		text := fmt.Sprint(reading.GetKind(), reading.GetPosition().GetRow(), reading.GetPosition().GetSide(), reading.GetMethod(), reading.GetOhms(), reading.GetOverRange(), reading.GetStage())
		if counted[text] {
			continue
		}
		counted[text] = true
		switch {
		case reading.GetOverRange():
			open++
		case reading.GetOhms() > 4:
			above++
		default:
			inside++
		}
	}
	label, _ := r.label()
	squibs := max(r.squibs(label), highest)
	enough := yes
	for stage := 1; stage <= squibs; stage++ {
		if !shownStages[stage] && (squibs > 1 || !shownStages[0]) {
			enough = unknown
		}
	}
	switch {
	case open > 0:
		return no, no
	case above > 0 && inside > 0 && squibs < 2:
		return unknown, enough
	case above > 0 && label.GetWindow() != nil:
		return no, enough
	case above > 0:
		return unknown, enough
	}
	return enough, enough
}

// ofThis tells whether a reading says of kind, row and side what the need and the
// statements about the part allow.
func (r *reference) ofThis(reading *fitmentv1.Reading) bool {
	is := func(name string, zero bool, allowed string) bool {
		return zero || allowed == "" || strings.EqualFold(name, allowed)
	}
	stated := func(a rules.Attribute, otherwise string) string {
		if h := r.hold(a); h.stated && !h.conflict {
			return h.value
		}
		return otherwise
	}
	kind := reading.GetKind()
	for _, allowed := range []string{r.need.GetKind().String(), stated(aKind, "")} {
		if !is(kind.String(), kind == 0, allowed) {
			return false
		}
	}
	if r.list.GetKind() != 0 && kind != 0 && kind != r.list.GetKind() {
		return false
	}
	places := []string{stated(aPosition, r.place())}
	if at := r.list.GetPosition(); at != nil {
		places = append(places, strconv.Itoa(int(at.GetRow()))+" "+at.GetSide().String())
	}
	for _, place := range places {
		row, side, _ := strings.Cut(place, " ")
		at := reading.GetPosition()
		if !is(strconv.Itoa(int(at.GetRow())), at.GetRow() == 0, row) || !is(at.GetSide().String(), at.GetSide() == 0, side) {
			return false
		}
	}
	return true
}

// place is where the need wants the part, "" where that is not known.
func (r *reference) place() string {
	switch {
	case r.need.GetKind() == fitmentv1.Part_CONTROL_MODULE:
		return ""
	case r.need.GetKind() != fitmentv1.Part_DRIVER_AIR_BAG:
		return strconv.Itoa(int(r.need.GetPosition().GetRow())) + " " + strings.ToLower(r.need.GetPosition().GetSide().String())
	case r.need.GetVehicle().GetDriveSide() == fitmentv1.Vehicle_LEFT:
		return "1 left"
	case r.need.GetVehicle().GetDriveSide() == fitmentv1.Vehicle_RIGHT:
		return "1 right"
	default:
		return ""
	}
}

func (r *reference) squibs(label *fitmentv1.Part) int {
	most := max(1, int(r.need.GetStages()))
	if h := r.hold(aStages); h.stated && !h.conflict {
		if n, err := strconv.Atoi(h.value); err == nil {
			most = max(most, n)
		}
	}
	if label != nil {
		return max(most, int(label.GetStages()))
	}
	for _, number := range r.rights() {
		most = max(most, int(r.part(number).GetStages()))
	}
	return most
}

// isRight tells whether the label is one of the right parts.
func (r *reference) isRight(p *fitmentv1.Part) bool {
	return p != nil && slices.Contains(r.rights(), strings.ToLower(p.GetNumber()))
}

func (r *reference) kind() evidence.Answer {
	h, want := r.hold(aKind), strings.ToLower(r.need.GetKind().String())
	label, _ := r.label()
	switch {
	case h.conflict || (label != nil && h.stated && h.value != strings.ToLower(label.GetKind().String())):
		return unknown
	case label != nil:
		return evidence.Of(label.GetKind() == r.need.GetKind())
	}
	return all(h.worlds(want, want, "zz"), func(w string) bool { return w == want })
}

func (r *reference) position() evidence.Answer {
	if r.need.GetKind() == fitmentv1.Part_CONTROL_MODULE {
		return yes
	}
	h := r.hold(aPosition)
	places := func(p *fitmentv1.Part) []string {
		var list []string
		for _, at := range p.GetPositions() {
			list = append(list, strconv.Itoa(int(at.GetRow()))+" "+strings.ToLower(at.GetSide().String()))
		}
		return list
	}
	want := r.place()
	label, _ := r.label()
	switch {
	case h.conflict || want == "":
		return unknown
	case label != nil && len(label.GetPositions()) > 0:
		if h.stated && !slices.Contains(places(label), h.value) {
			return unknown
		}
		return evidence.Of(slices.Contains(places(label), want))
	case h.stated && h.value != want:
		for _, number := range r.rights() {
			if slices.Contains(places(r.part(number)), h.value) {
				return unknown
			}
		}
	}
	return all(h.worlds(want, want, "zz"), func(w string) bool { return w == want })
}

// bySide tells whether the part is listed for one drive side only.
func bySide(p *fitmentv1.Part) bool { return p.GetNumber() == "D1" }

func (r *reference) driveSide() evidence.Answer {
	h, label := r.hold(aDriveSide), (*fitmentv1.Part)(nil)
	p, same := r.label()
	if r.isRight(p) {
		label = p
	}
	want := ""
	if side := r.need.GetVehicle().GetDriveSide(); side != 0 {
		want = strings.ToLower(side.String())
	}
	switch {
	case label == nil && same:
		return yes
	case label != nil && !bySide(label):
		return yes
	case h.conflict || want == "":
		return unknown
	case label != nil && h.stated && h.value != want:
		return unknown
	case label != nil:
		return yes
	}
	return all(h.worlds(want, want, "zz"), func(w string) bool { return w == want })
}

func (r *reference) application() evidence.Answer {
	n := r.hold(aNumber)
	label, same := r.label()
	switch {
	case !n.stated || n.conflict || r.disputed():
		return unknown
	case r.isRight(r.part(n.value)):
		if n.proven && same {
			return yes
		}
		if !n.proven || r.listed(n.value) != yes {
			return unknown
		}
		return yes
	}
	_ = label
	// a number that is not right: only the part in the vehicle can speak for it
	replaced := plainForm(aNumber, r.need.GetPartNumber())
	answer := r.allows(n.value)
	stepped := slices.ContainsFunc(r.steps, func(s [2]string) bool { return strings.EqualFold(s[0], replaced) && strings.EqualFold(s[1], n.value) })
	switch {
	case r.same() || (stepped && r.need.GetPartMaker() != "Norrin"):
		if answer == yes && !n.proven {
			return unknown
		}
		return answer
	case answer == no && r.part(n.value) != nil && len(r.part(n.value).GetApplications()) > 0:
		p := r.part(n.value)
		if !slices.ContainsFunc(r.possible(), func(v *fitmentv1.Vehicle) bool { return r.coversIgnoringPlace(p, v) }) {
			return no
		}
	}
	return unknown
}

// years lists first and last year of a part's own listing, or of the one it
// replaces.
func (r *reference) years(number string, own bool) (from, to int32) {
	p := r.part(number)
	if len(p.GetApplications()) == 0 && !own {
		for _, s := range r.steps {
			if strings.EqualFold(s[1], number) {
				return r.years(s[0], false)
			}
		}
	}
	if len(p.GetApplications()) == 0 {
		return 0, 9999
	}
	return p.GetApplications()[0].GetYearFrom(), p.GetApplications()[0].GetYearTo()
}

func (r *reference) modelYear() evidence.Answer {
	h := r.hold(aYear)
	label, same := r.label()
	right := r.isRight(label)
	donor, _ := strconv.Atoi(h.value)
	switch {
	case !right && same:
		return yes
	case h.conflict:
		return unknown
	case right:
		from, to := r.years(strings.ToLower(label.GetNumber()), true)
		if h.stated && (int32(donor) < from || int32(donor) > to) {
			return unknown
		}
		if same || r.need.GetVehicle().GetModelYear() != 0 {
			return yes
		}
		return unknown
	case r.need.GetVehicle().GetModelYear() == 0 || len(r.rights()) == 0 || !h.stated:
		return unknown
	}
	for _, number := range r.rights() {
		if from, to := r.years(number, false); int32(donor) >= from && int32(donor) <= to {
			if h.proven {
				return yes
			}
			return unknown
		}
	}
	return no
}

func (r *reference) build() evidence.Answer {
	n := r.hold(aNumber)
	label, same := r.label()
	split := func(number string) bool { return number == "s1" || number == "s2" }
	built := r.need.GetVehicle().GetBuildDate()
	p := r.part(n.value)
	if r.disputed() {
		p = nil
	}
	elsewhere := p != nil && !r.isRight(p) && len(p.GetApplications()) > 0 &&
		!slices.ContainsFunc(r.possible(), func(v *fitmentv1.Vehicle) bool { return r.coversIgnoringPlace(p, v) })
	switch {
	case n.conflict:
		return unknown
	case same && !elsewhere:
		return yes
	case r.isRight(label):
		return evidence.Or(evidence.Of(!split(n.value) || built != ""), unknown)
	case n.stated && p != nil && split(n.value) && !r.isRight(p) && r.need.GetVehicle().GetModel() == "Swift" && built != "" && (r.need.GetVehicle().GetModelYear() == 2005 || r.need.GetVehicle().GetModelYear() == 0):
		return evidence.Not(evidence.Of(wrongSide(n.value, built)))
	case len(r.rights()) == 0:
		return unknown
	case !slices.ContainsFunc(r.rights(), split):
		return yes
	}
	return unknown
}

func wrongSide(number, built string) bool {
	return (number == "s1") == (built > "2005-02-28")
}

func (r *reference) age() evidence.Answer {
	// only S2 has a service life: ten years
	label, _ := r.label()
	rights := r.rights()
	limited := label.GetNumber() == "S2" || (label == nil && len(rights) == 1 && rights[0] == "s2")
	if label == nil && len(rights) > 1 && slices.Contains(rights, "s2") {
		return unknown
	}
	if !limited {
		return yes
	}
	h, v := r.hold(aYear), r.hold(aVIN)
	vinYear := v.stated && !v.conflict && v.value == strings.ToLower(goodVIN)
	switch {
	case h.conflict:
		return unknown
	case vinYear && h.stated && h.value != "2005":
		return unknown
	case h.stated:
		year, _ := strconv.Atoi(h.value)
		switch {
		case year+10 < 2026:
			return no
		case h.proven && year-1+10 > 2026:
			return yes
		default:
			return unknown
		}
	case vinYear && v.proven:
		return no // 2005
	}
	return unknown
}

func (r *reference) legible() evidence.Answer {
	n, h := r.hold(aNumber), r.hold(aLegible)
	read := n.stated && !n.conflict && slices.ContainsFunc(r.list.GetEvidence(), func(e *fitmentv1.Evidence) bool {
		return e.GetAttribute() == aNumber && e.GetLevel() == confirmed
	})
	plain := r.needs(aLegible, "yes")
	switch {
	case read && plain == no:
		return unknown
	case read && !h.conflict:
		return yes
	}
	return plain
}

// answers gives every rule that counts its answer.
func (r *reference) answers() map[string]evidence.Answer {
	kind := r.need.GetKind()
	belt, squib := kind == buckle, kind != fitmentv1.Part_CONTROL_MODULE
	where := func(applies bool, a evidence.Answer) evidence.Answer {
		if !applies {
			return yes
		}
		return a
	}
	crash := func(attribute rules.Attribute) evidence.Answer {
		a := r.needs(attribute, "no")
		if a == no && !belt && kind != fitmentv1.Part_CONTROL_MODULE {
			return unknown
		}
		return a
	}
	connector, stages := r.need.GetConnector(), ""
	if r.need.GetStages() > 0 {
		stages = strconv.Itoa(int(r.need.GetStages()))
	}
	cavities := ""
	if connector.GetCavities() > 0 {
		cavities = strconv.Itoa(int(connector.GetCavities()))
	}
	number := func(n int32) string {
		if n == 0 {
			return ""
		}
		return strconv.Itoa(int(n))
	}
	window, loop := r.readings()
	return map[string]evidence.Answer{
		"identity.kind": r.kind(), "identity.position": r.position(), "identity.drive_side": r.driveSide(),
		"number.matches": r.number(), "number.application": r.application(),
		"years.model_year": r.modelYear(), "years.build_date": r.build(), "age.service_life": r.age(),
		"connector.interface":     r.feature(aInterface, strings.ToLower(connector.GetInterface()), func(p *fitmentv1.Part) string { return strings.ToLower(p.GetConnector().GetInterface()) }),
		"connector.keying":        r.feature(aKeying, strings.ToLower(connector.GetKeying()), func(p *fitmentv1.Part) string { return strings.ToLower(p.GetConnector().GetKeying()) }),
		"connector.cavities":      r.feature(aCavities, cavities, func(p *fitmentv1.Part) string { return number(p.GetConnector().GetCavities()) }),
		"electrical.stages":       where(squib, r.feature(aStages, stages, func(p *fitmentv1.Part) string { return number(p.GetStages()) })),
		"connector.shorting_clip": where(squib, r.needs(aClip, "yes")), "connector.pigtail": r.needs(aPigtail, "no"),
		"electrical.resistance": where(squib, window), "deployment.loop": where(squib, loop),
		"deployment.marks": r.needs(aMarks, "no"), "deployment.crash_record": crash(aCrash), "deployment.code": crash(aCode),
		"history.belt_in_use": where(belt, r.needs(aBelt, "no")), "history.flood": r.needs(aFlood, "no"), "history.fire": r.needs(aFire, "no"),
		"recall.open": r.recall(), "provenance.donor_vin": r.vin(), "provenance.label": r.legible(),
	}
}
