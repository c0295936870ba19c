package catalogue

import (
	"reflect"
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// filled is a catalogue in which no index is empty.
func filled(t *testing.T) *Catalogue {
	t.Helper()
	c := New()
	use := []*fitmentv1.Part_Application{{Make: "Velorn", Model: "Kestrel", YearFrom: 2004, YearTo: 2006}}
	for _, err := range []error{
		c.PutPart(&fitmentv1.Part{Maker: "Orbis", Number: "K-1", Kind: fitmentv1.Part_BUCKLE_PRETENSIONER, Applications: use}),
		c.PutSupersession(&fitmentv1.Supersession{Name: "supersessions/k", Maker: "Orbis", OldNumber: "K-1", NewNumber: "K-2"}),
		c.PutRecall(&fitmentv1.Recall{Name: "recalls/1", Type: fitmentv1.Recall_NOTICE, Number: "1", PartMaker: "Orbis", PartNumber: "K-1"}),
		c.PutRecall(&fitmentv1.Recall{Name: "recalls/2", Type: fitmentv1.Recall_COVERAGE, Number: "2", PartMaker: "Orbis"}),
		c.PutVehicleData(&fitmentv1.VehicleData{Name: "vehicleData/1", Make: "Velorn", Dialect: "standard"}),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	return c
}

// TestAClonedCatalogueHasEveryIndexOfItsOwn goes through the fields by
// reflection, so that an index added later cannot be left out.
func TestAClonedCatalogueHasEveryIndexOfItsOwn(t *testing.T) {
	t.Parallel()
	whole := filled(t)
	clone := whole.Clone()
	if !reflect.DeepEqual(whole, clone) {
		t.Errorf("the clone is %v, want %v", clone, whole)
	}
	original, copied := reflect.ValueOf(whole).Elem(), reflect.ValueOf(clone).Elem()
	for i := range original.NumField() {
		name := original.Type().Field(i).Name
		if original.Field(i).Kind() == reflect.Int64 {
			continue // a value, compared above
		}
		if original.Field(i).Kind() != reflect.Map || original.Field(i).Len() == 0 {
			t.Fatalf("%s is no map, or is empty here: this test says nothing about it", name)
		}
		if original.Field(i).Pointer() == copied.Field(i).Pointer() {
			t.Errorf("%s is shared", name)
		}
	}
}

func TestACloneChangesApart(t *testing.T) {
	t.Parallel()
	whole, untouched := filled(t), filled(t)
	clone := whole.Clone()
	// Replacing a record takes it out of lists in place, and adding appends.
	for _, err := range []error{
		clone.PutPart(&fitmentv1.Part{Maker: "Orbis", Number: "K-1", Kind: fitmentv1.Part_BUCKLE_PRETENSIONER}),
		clone.PutPart(&fitmentv1.Part{Maker: "Tarn", Number: "K-1", Kind: fitmentv1.Part_BUCKLE_PRETENSIONER}),
		clone.PutSupersession(&fitmentv1.Supersession{Name: "supersessions/k", Maker: "Orbis", OldNumber: "Z-1", NewNumber: "Z-2"}),
		clone.PutRecall(&fitmentv1.Recall{Name: "recalls/1", Type: fitmentv1.Recall_NOTICE, Number: "1", PartMaker: "Orbis", PartNumber: "Z-1"}),
		clone.PutRecall(&fitmentv1.Recall{Name: "recalls/2", Type: fitmentv1.Recall_COVERAGE, Number: "2", PartMaker: "Tarn"}),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	if !reflect.DeepEqual(whole.named, untouched.named) || len(whole.byNumber["K1"]) != 1 || len(whole.byOld) != 1 ||
		whole.recallsByNumber["K1"] == nil || whole.recallsByNumber["Z1"] != nil || len(whole.recallsOfAll) != 1 || len(whole.byUse) == 0 {
		t.Errorf("the original changed: %+v", whole)
	}
}
