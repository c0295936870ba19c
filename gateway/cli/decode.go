package cli

import (
	"context"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

func decodeCommand(c *connection) *cobra.Command {
	var market, class, maker, model string
	cmd := &cobra.Command{
		Use:   "decode VIN",
		Short: "Check a VIN and read its model year",
		Long: `Decode checks a vehicle identification number by 49 CFR 565.15 and reads what it
says. Whether the check digit applies depends on the market: without --market a
check that fails is a note, not a verdict.`,
		Example: "  beltwright decode 1M8GDM9AXKP042788 --market US --class passenger-car",
		Args:    arguments("VIN"),
		RunE: func(cmd *cobra.Command, args []string) error {
			number, err := enum("--class", class, fitmentv1.Vehicle_VEHICLE_CLASS_UNSPECIFIED)
			if err != nil {
				return err
			}
			request := &fitmentv1.DecodeVinRequest{
				Vin: args[0], Market: strings.ToUpper(market), VehicleClass: fitmentv1.Vehicle_VehicleClass(number), Make: maker, Model: model,
			}
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.DecodeVinResponse, error) {
				return fitmentv1.NewFitmentServiceClient(conn).DecodeVin(ctx, request)
			}, showVin)
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&market, "market", "", "market the vehicle was built for: US, CA, DE, …")
	flags.StringVar(&class, "class", "", "passenger-car, light-truck, heavy-vehicle, trailer or motorcycle")
	flags.StringVar(&maker, "make", "", "make, where you know it")
	flags.StringVar(&model, "model", "", "model, where you know it")
	return cmd
}

func showVin(p *printer, answer *fitmentv1.DecodeVinResponse) {
	state := "valid"
	switch {
	case !answer.GetValid():
		state = "NOT valid"
	case answer.GetCheckDigit().GetApplies() == fitmentv1.Finding_UNKNOWN:
		state = "well formed; whether its check digit must agree depends on the market (--market)"
	}
	digit := answer.GetCheckDigit()
	p.linef("%s is %s", answer.GetVin(), state)
	p.linef("check digit %s, computed %s; the rule applies: %s", digit.GetActual(), digit.GetExpected(), words(digit.GetApplies()))
	p.linef("model year: %s", years(answer.GetModelYears()))
	if v := answer.GetVehicle(); v.GetMake()+v.GetModel() != "" {
		p.linef("vehicle: %s %s", v.GetMake(), v.GetModel())
	}
	showFiled(p, answer)
	p.list("notes", answer.GetNotes())
}

// showFiled prints what makers have filed, each where it is known.
func showFiled(p *printer, answer *fitmentv1.DecodeVinResponse) {
	v := answer.GetVehicle()
	if v.GetSeries() != "" {
		p.linef("series: %s", v.GetSeries())
	}
	if v.GetBody() != "" {
		p.linef("body: %s", v.GetBody())
	}
	if v.GetDoors() != 0 {
		p.linef("doors: %d", v.GetDoors())
	}
	if v.GetPlant() != "" {
		p.linef("plant: %s", v.GetPlant())
	}
	if v.GetRestraintText() != "" {
		p.linef("restraints: %s", v.GetRestraintText())
	}
	if answer.GetVinData() != "" {
		p.linef("data: %s", answer.GetVinData())
	}
}

func years(candidates []int32) string {
	if len(candidates) == 0 {
		return "not to be told"
	}
	texts := make([]string, 0, len(candidates))
	for _, year := range candidates {
		texts = append(texts, strconv.Itoa(int(year)))
	}
	return strings.Join(texts, " or ")
}
