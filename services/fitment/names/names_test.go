package names_test

import (
	"errors"
	"strings"
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/names"
	"beltwright.example/services/platform/partnumber"
)

func TestPositionsReadAsWritten(t *testing.T) {
	t.Parallel()
	for row := int32(1); row <= 9; row++ {
		for side := fitmentv1.Position_LEFT; side <= fitmentv1.Position_CENTRE; side++ {
			text := names.PositionText(&fitmentv1.Position{Row: row, Side: side})
			back, err := names.ParsePosition(strings.ToLower(text))
			if err != nil || back.GetRow() != row || back.GetSide() != side {
				t.Errorf("%q reads as %v, %v", text, back, err)
			}
		}
	}
	for _, text := range []string{"", "1", "RIGHT", "0 LEFT", "10 LEFT", "1 UP", "1 LEFT 2", "-1 LEFT", "1 SIDE_UNSPECIFIED"} {
		if _, err := names.ParsePosition(text); err == nil {
			t.Errorf("%q is accepted", text)
		}
	}
}

// Common practice, no source: the driver sits behind the steering wheel.
func TestFrontAirBagsFollowTheSteeringWheel(t *testing.T) {
	t.Parallel()
	left, right := fitmentv1.Position_LEFT, fitmentv1.Position_RIGHT
	cases := []struct {
		kind   fitmentv1.Part_Kind
		drive  fitmentv1.Vehicle_DriveSide
		stated fitmentv1.Position_Side
		want   fitmentv1.Position_Side
	}{
		{fitmentv1.Part_DRIVER_AIR_BAG, fitmentv1.Vehicle_LEFT, 0, left},
		{fitmentv1.Part_DRIVER_AIR_BAG, fitmentv1.Vehicle_RIGHT, 0, right},
		{fitmentv1.Part_PASSENGER_AIR_BAG, fitmentv1.Vehicle_LEFT, 0, right},
		{fitmentv1.Part_PASSENGER_AIR_BAG, fitmentv1.Vehicle_RIGHT, 0, left},
		{fitmentv1.Part_DRIVER_AIR_BAG, 0, 0, 0},
		{fitmentv1.Part_DRIVER_AIR_BAG, 0, left, left},
		{fitmentv1.Part_DRIVER_AIR_BAG, fitmentv1.Vehicle_RIGHT, left, 0}, // contradiction: not known
		{fitmentv1.Part_KNEE_AIR_BAG, fitmentv1.Vehicle_LEFT, right, right},
	}
	for _, c := range cases {
		need := &fitmentv1.Need{Kind: c.kind, Vehicle: &fitmentv1.Vehicle{DriveSide: c.drive}}
		if c.stated != 0 {
			need.Position = &fitmentv1.Position{Row: 1, Side: c.stated}
		}
		if got := names.NeedPosition(need).GetSide(); got != c.want {
			t.Errorf("%v with drive side %v, stated %v: %v, want %v", c.kind, c.drive, c.stated, got, c.want)
		}
	}
}

// The fitment side compares as price lists do.
func TestNumbersAndNamesAreComparedAsEverywhere(t *testing.T) {
	t.Parallel()
	for _, text := range []string{"", "AB-12.34/5 6", "Ａb１２", "AB_1", "\xff", strings.Repeat("A", 41), " Kestrel\t GT "} {
		want, wantErr := partnumber.Key(text)
		if got, err := names.NumberKey(text); got != want || !errors.Is(err, wantErr) {
			t.Errorf("%q: key %q, %v; want %q, %v", text, got, err, want, wantErr)
		}
		if got, want := names.Fold(text), partnumber.Fold(text); got != want {
			t.Errorf("%q folds to %q, want %q", text, got, want)
		}
	}
}
