package rules_test

import (
	"fmt"
	"os"
	"runtime"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/fitment/names"
	"beltwright.example/services/fitment/reference"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/platform/check"
)

// sceneListings is how many listings a scene has, each a question of its own.
const sceneListings = 5

// questions is how many random questions the rules are compared on with the
// reference: 100,000, under the race detector 4,000, 1,000,000 where BELTWRIGHT_LONG
// is set.
func questions() int {
	switch {
	case underRace:
		return 4_000
	case os.Getenv("BELTWRIGHT_LONG") != "":
		return 1_000_000
	default:
		return 100_000
	}
}

// trial is a scene, ready to be asked by both sides.
type trial struct {
	*scene

	cat  *catalogue.Catalogue
	slow *reference.Question
}

func trialOf(seed uint64) (*trial, error) {
	s, err := draw(seed, sceneListings)
	if err != nil {
		return nil, err
	}
	cat, err := catalogue.FromFacts(&fitmentv1.Facts{Parts: s.parts, Supersessions: s.steps, Recalls: s.recalls, VehicleData: s.vehicles})
	if err != nil {
		return nil, fmt.Errorf("seed %d: %w", seed, err)
	}
	return &trial{scene: s, cat: cat, slow: reference.For(s.need, s.facts())}, nil
}

// facts are the scene's records for the reference.
func (s *scene) facts() *reference.Facts {
	return &reference.Facts{
		Parts: s.parts, Supersessions: s.steps, Recalls: s.recalls, Vehicles: s.vehicles,
		RecallDays: s.policy.RecallMaxAgeDays, Places: s.places, Today: sceneDay,
	}
}

func (t *trial) question() *rules.Question { return rules.For(t.need, t.cat, t.policy, sceneDay) }

// difference compares a question's answers on a listing with an outcome, empty
// where they are the same: every rule's, what they come to, and the verdict, which
// the engine works out in two ways.
func difference(q *rules.Question, l *fitmentv1.Listing, want reference.Outcome) string {
	all := rules.All()
	if len(all) != len(want.Rules) {
		return fmt.Sprintf("the engine has %d rules, the reference %d", len(all), len(want.Rules))
	}
	for i, answer := range rules.Answers(q, l) {
		if expected, known := want.Rules[all[i].ID]; !known || answer != expected {
			return fmt.Sprintf("%s: %v, the reference says %v", all[i].ID, answer, expected)
		}
	}
	return outcomeDifference(q, l, want)
}

// outcomeDifference compares only what the rules come to.
func outcomeDifference(q *rules.Question, l *fitmentv1.Listing, want reference.Outcome) string {
	if verdict := q.Judge(l); verdict != want.Verdict {
		return fmt.Sprintf("judged %v, the reference says %v", verdict, want.Verdict)
	}
	if d := q.Decide(l); d.GetFit() != want.Fit || d.GetReuse() != want.Reuse || d.GetVerdict() != want.Verdict {
		return fmt.Sprintf("fit %v, reuse %v, %v; the reference says %v, %v, %v", d.GetFit(), d.GetReuse(), d.GetVerdict(), want.Fit, want.Reuse, want.Verdict)
	}
	return ""
}

// census counts answers.
type census struct {
	rules     map[string]map[evidence.Answer]int
	verdicts  map[fitmentv1.Decision_Verdict]int
	completed int
}

func (c *census) add(other *census) {
	for rule, answers := range other.rules {
		if c.rules[rule] == nil {
			c.rules[rule] = map[evidence.Answer]int{}
		}
		for answer, n := range answers {
			c.rules[rule][answer] += n
		}
	}
	for verdict, n := range other.verdicts {
		c.verdicts[verdict] += n
	}
	c.completed += other.completed
}

func newCensus() *census {
	return &census{rules: map[string]map[evidence.Answer]int{}, verdicts: map[fitmentv1.Decision_Verdict]int{}}
}

// TestSoundness compares the rules with the reference on random questions, and
// makes sure that no yes is turned into a no by any completion of what is missing.
func TestSoundness(t *testing.T) {
	t.Parallel()
	start, total := time.Now(), newCensus()
	var lock sync.Mutex
	var group sync.WaitGroup
	shards := runtime.GOMAXPROCS(0)
	scenes := questions() / sceneListings
	for shard := range shards {
		group.Go(func() {
			counted := newCensus()
			for seed := shard; seed < scenes && !t.Failed(); seed += shards {
				if problem := counted.examine(uint64(seed)); problem != "" {
					t.Errorf("seed %d: %s", seed, problem)
				}
			}
			lock.Lock()
			defer lock.Unlock()
			total.add(counted)
		})
	}
	group.Wait()
	if t.Failed() {
		return
	}
	t.Logf("%d questions and %d completions in %v: %v", scenes*sceneListings, total.completed, time.Since(start).Round(time.Millisecond), total.verdicts)
	if len(total.verdicts) != 4 {
		t.Errorf("the questions reach only %v", total.verdicts)
	}
	for _, rule := range rules.All() {
		t.Logf("%-24s %v", rule.ID, total.rules[rule.ID])
		if len(total.rules[rule.ID]) != 3 {
			t.Errorf("%s: the questions reach only %v", rule.ID, total.rules[rule.ID])
		}
	}
}

// examine compares one scene.
func (c *census) examine(seed uint64) string {
	t, err := trialOf(seed)
	if err != nil {
		return err.Error()
	}
	d, q := dieOf(seed^0xc0de), t.question()
	for i, l := range t.listings {
		want := t.slow.Decide(l)
		if problem := difference(q, l, want); problem != "" {
			return fmt.Sprintf("listing %d: %s\nneed %v\nlisting %v", i, problem, t.need, l)
		}
		c.verdicts[want.Verdict]++
		for rule, answer := range want.Rules {
			if c.rules[rule] == nil {
				c.rules[rule] = map[evidence.Answer]int{}
			}
			c.rules[rule][answer]++
		}
		if problem := t.completions(d, q, l, want); problem != "" {
			return fmt.Sprintf("listing %d: %s\nneed %v\nlisting %v", i, problem, t.need, l)
		}
		c.completed++
	}
	return ""
}

// completions completes what is missing about part, donor and vehicle at random,
// and asks the engine again: what was yes may become open, since a new statement
// may contradict another, but not no.
//
// A single rule may say yes of every part that may be right and mean none of them:
// which part it is, and for which vehicle, is asked by number.matches and
// number.application. So where the completion names the part or says more of the
// vehicle, what all rules come to is compared.
func (t *trial) completions(d die, q *rules.Question, l *fitmentv1.Listing, before reference.Outcome) string {
	more := proto.CloneOf(l)
	named := false
	for _, p := range scenePools {
		if len(evidenceAbout(more, p.attribute)) > 0 || d.once(2) {
			continue
		}
		e := &fitmentv1.Evidence{Attribute: p.attribute, Value: pick(d, append([]string{t.good(p, "K1")}, p.others...)...), Level: d.level(), Date: pick(d, sceneQueryDays...)}
		if t.news(l, e) {
			continue
		}
		named = named || p.attribute == fitmentv1.Evidence_PART_NUMBER || p.attribute == fitmentv1.Evidence_PART_MAKER
		more.Evidence = append(more.Evidence, e)
	}
	if len(evidenceAbout(more, fitmentv1.Evidence_LOOP_RESISTANCE)) == 0 {
		d.read(more)
	}
	asked := q
	if need := t.completeVehicle(d); need != nil {
		asked, named = rules.For(need, t.cat, t.policy, sceneDay), true
	}
	all := rules.All()
	fit, reuse := evidence.Yes, evidence.Yes
	for i, answer := range rules.Answers(asked, more) {
		switch all[i].Severity {
		case fitmentv1.Finding_FIT:
			fit = evidence.And(fit, answer)
		case fitmentv1.Finding_REUSE:
			reuse = evidence.And(reuse, answer)
		default:
		}
		if answer == evidence.No && before.Rules[all[i].ID] == evidence.Yes && !named {
			return fmt.Sprintf("%s says yes, but completed it says no: %v", all[i].ID, more)
		}
	}
	worse := (before.Fit == evidence.Yes && fit == evidence.No) || (before.Reuse == evidence.Yes && reuse == evidence.No)
	if worse && (!named || before.Verdict == fitmentv1.Decision_FITS) {
		return fmt.Sprintf("fit %v, reuse %v, but completed they are %v and %v: %v", before.Fit, before.Reuse, fit, reuse, more)
	}
	return ""
}

// news tells whether a statement is no completion but news that contradicts what is
// known: that a recall is open or was remedied although the notices show none; that
// the donor is of a year, or the part of a date, that what is stated of the donor
// already excludes; or that the part is of a maker that the catalogue does not know
// to use its number, although it knows one that does (a number that one maker only
// uses needs no proven maker).
func (t *trial) news(l *fitmentv1.Listing, e *fitmentv1.Evidence) bool {
	switch e.GetAttribute() {
	case fitmentv1.Evidence_PART_MAKER:
		users := t.users(l)
		return len(users) > 0 && !slices.Contains(users, names.Fold(e.GetValue()))
	case fitmentv1.Evidence_RECALL_OPEN, fitmentv1.Evidence_RECALL_REMEDIED:
		return e.GetValue() == "yes"
	case fitmentv1.Evidence_DONOR_MODEL_YEAR, fitmentv1.Evidence_MANUFACTURED:
		years := slices.Concat(evidenceAbout(l, fitmentv1.Evidence_DONOR_MODEL_YEAR), evidenceAbout(l, fitmentv1.Evidence_DONOR_VIN))
		return len(years) > 0 && e.GetValue() != "2007" && e.GetValue() != "2007-02" && e.GetValue() != "2006"
	default:
		return false
	}
}

// users lists the makers that are known to use the number that is stated.
func (t *trial) users(l *fitmentv1.Listing) []string {
	claims := evidence.ClaimsOf(l)
	key := claims.Fact(fitmentv1.Evidence_PART_NUMBER).Key
	var users []string
	note := func(maker string, numbers ...string) {
		for _, number := range numbers {
			if k, err := names.NumberKey(number); err == nil && k == key && maker != "" {
				users = append(users, names.Fold(maker))
			}
		}
	}
	for _, p := range t.parts {
		note(p.GetMaker(), p.GetNumber())
	}
	for _, s := range t.steps {
		note(s.GetMaker(), s.GetOldNumber(), s.GetNewNumber())
	}
	for _, r := range t.recalls {
		note(r.GetPartMaker(), r.GetPartNumber())
	}
	note(t.need.GetPartMaker(), t.need.GetPartNumber())
	return users
}

// evidenceAbout lists what is stated of an attribute, the listing's own fields
// included.
func evidenceAbout(l *fitmentv1.Listing, a rules.Attribute) []*fitmentv1.Evidence {
	claims := evidence.ClaimsOf(l)
	return claims.Statements(a)
}

// completeVehicle states what the need leaves open of its vehicle; nil where that
// is not done.
func (t *trial) completeVehicle(d die) *fitmentv1.Need {
	if d.once(2) {
		return nil
	}
	need := proto.CloneOf(t.need)
	v := need.GetVehicle()
	if v.GetModelYear() == 0 {
		v.ModelYear = pick[int32](d, 2004, 2005, 2006, 2007, 2008, 2010, 2012)
	}
	if v.GetBuildDate() == "" {
		v.BuildDate = pick(d, "2006-12-31", "2007-02-01", "2007-02-28", "2007-03-01", "2007-03-10", "2007-03-11", "2008-01-01")
	}
	if v.GetDriveSide() == 0 {
		v.DriveSide = pick(d, fitmentv1.Vehicle_LEFT, fitmentv1.Vehicle_RIGHT)
	}
	if v.GetBody() == "" {
		v.Body = pick(d, "coupe", "estate", "saloon")
	}
	if v.GetMarket() == "" {
		v.Market = pick(d, "US", "CA", "DE")
	}
	if v.GetPlant() == "" {
		v.Plant = pick(d, "North", "South", "East")
	}
	if !v.GetOptionsComplete() {
		v.OptionsComplete = true
		if d.once(2) {
			v.Options = append(v.Options, pick(d, "AK5", "ZZ1"))
		}
	}
	return need
}

// Scenes are what the program takes: a catalogue that its validators refuse, or a
// need that the server does, would compare what never happens.
func TestScenesAreSoundAndTheSameEveryTime(t *testing.T) {
	t.Parallel()
	refused := 0
	for seed := range uint64(2000) {
		s, err := draw(seed, 1)
		if err != nil {
			t.Fatal(err)
		}
		var fields check.Fields
		for _, p := range s.parts {
			if len(p.GetPositions()) > 0 { // an older record may name none, a new one must
				catalogue.ValidatePart(p, &fields)
			}
		}
		for _, one := range s.steps {
			catalogue.ValidateSupersession(one, &fields)
		}
		for _, r := range s.recalls {
			catalogue.ValidateRecall(r, &fields)
		}
		if !fields.OK() {
			t.Fatalf("seed %d: %v", seed, fields.Violations())
		}
		var need check.Fields
		if rules.ValidateNeed(s.need, "need.", &need); !need.OK() {
			refused++
		}
	}
	if refused > 200 { // a few needs that contradict themselves are decided all the same
		t.Errorf("%d needs of 2000 would be refused", refused)
	}
	for seed := range uint64(20) {
		a, err := draw(seed, 2)
		b, again := draw(seed, 2)
		if err != nil || again != nil {
			t.Fatal(err, again)
		}
		if !proto.Equal(a.need, b.need) || !proto.Equal(a.listings[1], b.listings[1]) {
			t.Fatal("seed " + strconv.FormatUint(seed, 10) + " draws two scenes")
		}
	}
}
