package cli

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/reflect/protoreflect"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/amount"
)

// enum reads an enum value in words: "buckle-pretensioner", "Buckle
// pretensioner" and "BUCKLE_PRETENSIONER" are one. An empty text is the
// unspecified value.
func enum[E protoreflect.Enum](what, text string, zero E) (protoreflect.EnumNumber, error) {
	if text == "" {
		return 0, nil
	}
	name := strings.ToUpper(strings.NewReplacer("-", "_", " ", "_").Replace(strings.TrimSpace(text)))
	values := zero.Descriptor().Values()
	if value := values.ByName(protoreflect.Name(name)); value != nil && value.Number() != 0 {
		return value.Number(), nil
	}
	known := make([]string, 0, values.Len())
	for i := range values.Len() {
		if value := values.Get(i); value.Number() != 0 {
			known = append(known, strings.ToLower(strings.ReplaceAll(string(value.Name()), "_", "-")))
		}
	}
	return 0, usageError{fmt.Errorf("%s: %q is not known; expected one of %s", what, text, strings.Join(known, ", "))}
}

// pairs reads "name=value,name=value" with the names that are allowed.
func pairs(what, text string, allowed ...string) (map[string]string, error) {
	values := map[string]string{}
	for item := range strings.SplitSeq(text, ",") {
		name, value, ok := strings.Cut(item, "=")
		name = strings.TrimSpace(name)
		if !ok || !slices.Contains(allowed, name) {
			return nil, usageError{fmt.Errorf("%s: %q is not understood; expected NAME=VALUE with a name of %s", what, item, strings.Join(allowed, ", "))}
		}
		if _, twice := values[name]; twice {
			return nil, usageError{fmt.Errorf("%s: %s is given twice", what, name)}
		}
		values[name] = strings.TrimSpace(value)
	}
	return values, nil
}

// number reads an optional number out of pairs.
func number(what string, values map[string]string, name string) (*float64, error) {
	text, ok := values[name]
	if !ok {
		return nil, nil //nolint:nilnil // absent is a valid answer
	}
	value, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(value) || math.IsInf(value, 0) {
		return nil, usageError{fmt.Errorf("%s: %s=%q is no number", what, name, text)}
	}
	return &value, nil
}

// whole reads an optional integer out of pairs; 0 where it is absent.
func whole(what string, values map[string]string, name string) (int32, error) {
	text, ok := values[name]
	if !ok {
		return 0, nil
	}
	value, err := strconv.ParseInt(text, 10, 32)
	if err != nil {
		return 0, usageError{fmt.Errorf("%s: %s=%q is no whole number", what, name, text)}
	}
	return int32(value), nil
}

// yesNo reads an optional truth out of pairs; false where it is absent.
func yesNo(what string, values map[string]string, name string) (bool, error) {
	switch text, ok := values[name]; {
	case !ok || text == "no":
		return false, nil
	case text == "yes":
		return true, nil
	default:
		return false, usageError{fmt.Errorf("%s: %s=%q is not understood; expected yes or no", what, name, text)}
	}
}

// money reads an amount of a flag in minor units; empty is 0.
func money(flag, text, currency string) (int64, error) {
	if text == "" {
		return 0, nil
	}
	value, err := amount.Parse(text, currency)
	if err != nil {
		return 0, usageError{fmt.Errorf("--%s: %w; expected an amount such as %s", flag, err, amount.Format(4500, currency))}
	}
	return value, nil
}

// vehicleFlags describe a vehicle.
type vehicleFlags struct {
	vin, maker, model, body, driveSide, market, built, plant, restraints string
	year                                                                 int32
	options                                                              []string
	everyOption                                                          bool
}

func (v *vehicleFlags) bind(cmd *cobra.Command) {
	flags := cmd.Flags()
	flags.StringVar(&v.vin, "vin", "", "vehicle identification number, 17 characters")
	flags.StringVar(&v.maker, "make", "", "make of the vehicle")
	flags.StringVar(&v.model, "model", "", "model")
	flags.Int32Var(&v.year, "year", 0, "model year")
	flags.StringVar(&v.body, "body", "", "body, in words: saloon, estate, coupe, …")
	flags.StringVar(&v.driveSide, "drive-side", "", "side of the steering wheel: left or right")
	flags.StringVar(&v.market, "market", "", "market the vehicle was built for: US, CA, DE, …")
	flags.StringVar(&v.built, "built", "", "date of build, YYYY-MM-DD")
	flags.StringVar(&v.plant, "plant", "", "assembly plant, as coded in the VIN or in words")
	flags.StringSliceVar(&v.options, "option", nil, "option code that the vehicle was built with (repeatable)")
	flags.BoolVar(&v.everyOption, "every-option", false, "the options given are all that the vehicle has")
	flags.StringVar(&v.restraints, "restraint-text", "", "what the maker filed about the vehicle's restraints, in free text")
}

func (v *vehicleFlags) vehicle() (*fitmentv1.Vehicle, error) {
	side, err := enum("--drive-side", v.driveSide, fitmentv1.Vehicle_DRIVE_SIDE_UNSPECIFIED)
	if err != nil {
		return nil, err
	}
	return &fitmentv1.Vehicle{
		Vin: v.vin, Make: v.maker, Model: v.model, ModelYear: v.year, Body: v.body,
		DriveSide: fitmentv1.Vehicle_DriveSide(side), Market: strings.ToUpper(v.market), BuildDate: v.built,
		Plant: v.plant, Options: v.options, OptionsComplete: v.everyOption, RestraintText: v.restraints,
	}, nil
}
