package rules_test

import (
	"testing"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/platform/check"
)

// FuzzDecide decides whatever bytes make of need, listing, part, supersession and
// recall: nothing may panic, an invalid need must still decide, Judge and Decide
// must agree, and what fits must have fit and reuse proven.
func FuzzDecide(f *testing.F) {
	seed := func(messages ...proto.Message) {
		var parts [5][]byte
		for i, m := range messages {
			raw, err := proto.Marshal(m)
			if err != nil {
				f.Fatal(err)
			}
			parts[i] = raw
		}
		f.Add(parts[0], parts[1], parts[2], parts[3], parts[4])
	}
	seed()
	seed(kestrel(), documented())
	seed(driverBag(), documented(), &fitmentv1.Part{Maker: "Orbis", Number: "D2", Kind: fitmentv1.Part_DRIVER_AIR_BAG, Applications: []*fitmentv1.Part_Application{{Make: "Velorn", Model: "Kestrel", BuiltFrom: "?"}}},
		&fitmentv1.Supersession{Maker: "Orbis", OldNumber: "D2", NewNumber: "D2"}, &fitmentv1.Recall{Type: fitmentv1.Recall_NOTICE, PartMaker: "Orbis"})
	f.Fuzz(func(t *testing.T, needBytes, listingBytes, partBytes, stepBytes, recallBytes []byte) {
		need, listing := &fitmentv1.Need{}, &fitmentv1.Listing{}
		part, step, notice := &fitmentv1.Part{}, &fitmentv1.Supersession{}, &fitmentv1.Recall{}
		for _, one := range []struct {
			raw []byte
			m   proto.Message
		}{{needBytes, need}, {listingBytes, listing}, {partBytes, part}, {stepBytes, step}, {recallBytes, notice}} {
			if proto.Unmarshal(one.raw, one.m) != nil {
				return
			}
		}
		cat := worldOf(t)
		for _, err := range []error{cat.PutPart(part), cat.PutSupersession(step), cat.PutRecall(notice)} {
			if err != nil {
				continue // refused: the catalogue is as before
			}
		}
		var fields check.Fields
		rules.ValidateNeed(need, "need.", &fields)
		catalogue.ValidatePart(part, &fields)
		catalogue.ValidateSupersession(step, &fields)
		catalogue.ValidateRecall(notice, &fields)
		decision := rules.Decide(need, listing, cat, rules.DefaultPolicy(), today)
		if got := rules.Judge(need, listing, cat, rules.DefaultPolicy(), today); got != decision.GetVerdict() {
			t.Fatalf("judge %v, decide %v", got, decision.GetVerdict())
		}
		if fits := decision.GetFit() == evidence.Yes && decision.GetReuse() == evidence.Yes; fits != (decision.GetVerdict() == fitmentv1.Decision_FITS) {
			t.Fatalf("%v with fit %v and reuse %v", decision.GetVerdict(), decision.GetFit(), decision.GetReuse())
		}
		rules.Parts(need, cat, rules.DefaultPolicy(), today)
	})
}

func BenchmarkJudge(b *testing.B) {
	q := rules.For(kestrel(), worldOf(b), rules.DefaultPolicy(), today)
	l := documented()
	for b.Loop() {
		q.Judge(l)
	}
}

func BenchmarkDecide(b *testing.B) {
	q := rules.For(kestrel(), worldOf(b), rules.DefaultPolicy(), today)
	for name, l := range map[string]*fitmentv1.Listing{"fits": documented(), "empty": {}, "bag missing two": documented(forget(aFlood, aLegible))} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				q.Decide(l)
			}
		})
	}
}

// onlyClaimed is a documented listing of which nothing is shown.
func onlyClaimed() *fitmentv1.Listing {
	l := documented()
	for _, e := range l.GetEvidence() {
		e.Level = claimed
	}
	return l
}

func BenchmarkRank(b *testing.B) {
	for name, n := range map[string]*fitmentv1.Need{"buckle": kestrel(), "bag": driverBag(), "swift": swift("")} {
		q := rules.For(n, worldOf(b), rules.DefaultPolicy(), today)
		for kind, l := range map[string]*fitmentv1.Listing{"claimed": onlyClaimed(), "empty": {}, "fits": documented()} {
			b.Run(name+", "+kind, func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					q.Rank(l)
				}
			})
		}
	}
}
