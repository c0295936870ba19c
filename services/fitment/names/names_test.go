package names_test

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/names"
)

func TestNumberKey(t *testing.T) {
	t.Parallel()
	same := map[string]string{
		"AB-12.34/5 6":           "AB123456",
		"ab123456":               "AB123456",
		"ＡＢ１２":                   "AB12", // full width, NFKC
		strings.Repeat("A", 40):  strings.Repeat("A", 40),
		strings.Repeat("A-", 40): strings.Repeat("A", 40),
	}
	for number, want := range same {
		if got, err := names.NumberKey(number); got != want || err != nil {
			t.Errorf("%q: %q, %v; want %q", number, got, err, want)
		}
	}
	for _, number := range []string{"", "-", " ./", "AB_1", "AB:1", "Ä1", "АВ1" /* Cyrillic */, "A\x001", "\xff", strings.Repeat("A", 41)} {
		if got, err := names.NumberKey(number); err == nil {
			t.Errorf("%q is accepted as %q", number, got)
		}
	}
}

func TestFold(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]string{
		"": "", "  ": "", "kestrel": "kestrel", " Kestrel\t GT ": "kestrel gt", "ＫＥＳＴＲＥＬ": "kestrel", "a  b": "a b", "Å": "å",
	} {
		if got := names.Fold(name); got != want {
			t.Errorf("%q: %q, want %q", name, got, want)
		}
	}
}

func TestFoldingTwiceChangesNothing(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.String().Draw(t, "name")
		once := names.Fold(name)
		if twice := names.Fold(once); twice != once {
			t.Fatalf("%q: %q, then %q", name, once, twice)
		}
	})
}

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

func FuzzNumberKey(f *testing.F) {
	for _, seed := range []string{"", "AB-12.34/5 6", "ＡＢ１２", "ﬁ1", "ß", "\xff\xfe", strings.Repeat("Z9 ", 300)} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, number string) {
		key, err := names.NumberKey(number)
		if err != nil {
			if key != "" {
				t.Fatalf("%q: refused, yet %q", number, key)
			}
			return
		}
		if len(key) < 1 || len(key) > 40 || strings.Trim(key, "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789") != "" {
			t.Fatalf("%q: %q", number, key)
		}
		if again, err := names.NumberKey(key); again != key || err != nil {
			t.Fatalf("%q: the key of %q is %q, %v", number, key, again, err)
		}
	})
}
