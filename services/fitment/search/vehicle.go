package search

import (
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/evidence"
)

// Vehicle is what the catalogue that the index holds knows of one vehicle, beside
// its vehicle data the windows of loops.
type Vehicle struct {
	catalogue.VehicleFacts

	// Windows are by loop, for the loops that were asked for and whose window is
	// known.
	Windows map[Loop]*fitmentv1.ResistanceWindow
}

// Loop is the loop of a kind of part at a position.
type Loop struct {
	// Kind is the part's.
	Kind fitmentv1.Part_Kind
	// Row and Side are its position; zero where not stated.
	Row  int32
	Side fitmentv1.Position_Side
}

// Vehicle says what is known of a vehicle and of the windows of its loops. A
// loop's window is that of the parts which are proven to be right for the vehicle
// there, where all of them that have one agree; else the vehicle data's.
func (x *Index) Vehicle(vehicle *fitmentv1.Vehicle, loops []Loop, now time.Time) (Vehicle, Standing) {
	x.mu.RLock()
	defer x.mu.RUnlock()
	cat := x.shelf.Catalogue
	known := Vehicle{VehicleFacts: cat.Vehicle(vehicle), Windows: map[Loop]*fitmentv1.ResistanceWindow{}}
	for _, loop := range loops {
		if known.Windows[loop] != nil {
			continue
		}
		window := partsWindow(cat, vehicle, loop)
		if window == nil {
			window = sourced(known.Window(loop.Kind), "vehicle data of the catalogue")
		}
		if window != nil {
			known.Windows[loop] = window
		}
	}
	return known, x.standing(now)
}

// partsWindow is the window that the right parts for a loop have in common; nil
// where none has one, or they differ.
func partsWindow(cat *catalogue.Catalogue, vehicle *fitmentv1.Vehicle, loop Loop) *fitmentv1.ResistanceWindow {
	found := cat.Rights(&fitmentv1.Need{Vehicle: vehicle, Kind: loop.Kind, Position: &fitmentv1.Position{Row: loop.Row, Side: loop.Side}})
	if found.Cut != "" {
		return nil
	}
	var common *fitmentv1.ResistanceWindow
	for _, match := range found.Matches {
		window := match.Part.GetWindow()
		switch {
		case window == nil:
		case match.Application != evidence.Yes:
			return nil // it may be the right one, and its window the one that counts
		case common == nil:
			common = sourced(window, "part "+match.Part.GetMaker()+" "+match.Part.GetNumber()+" of the catalogue")
		case window.GetLowOhms() != common.GetLowOhms() || window.GetHighOhms() != common.GetHighOhms():
			return nil
		}
	}
	return common
}

// sourced is a window with where it was found before where it is published; nil
// stays nil.
func sourced(window *fitmentv1.ResistanceWindow, found string) *fitmentv1.ResistanceWindow {
	if window == nil {
		return nil
	}
	if window.GetSource() != "" {
		found += ": " + window.GetSource()
	}
	return &fitmentv1.ResistanceWindow{LowOhms: window.GetLowOhms(), HighOhms: window.GetHighOhms(), Source: found}
}
