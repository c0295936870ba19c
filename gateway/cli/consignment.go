package cli

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/transport"
)

// consignmentFlags describe a package that is to be sent.
type consignmentFlags struct {
	number, mode                                string
	inComponent, trained, recycler, new, tested string
	grams                                       int64
}

func consignmentCommand(c *connection) *cobra.Command {
	var f consignmentFlags
	cmd := &cobra.Command{
		Use:   "consignment",
		Short: "Say who may ship a restraint part how, and with which papers",
		Long: `Consignment rules on one package: may it be sent so, why, and what must stand on
papers and package, each with its source. It knows the rules of the United States for
UN3268 and UN0503. What is not stated is not known, and never leads to a yes. It is no
legal advice, and a carrier may ask for more.`,
		Example: `  beltwright consignment --mode road --un UN3268 --in-component no --grams 900 --trained-shipper yes --tested yes
  beltwright consignment --mode passenger-aircraft --un UN3268 --grams 26000`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			request, err := f.request()
			if err != nil {
				return err
			}
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.JudgeConsignmentResponse, error) {
				return quotev1.NewPlanningServiceClient(conn).JudgeConsignment(ctx, request)
			}, showRuling)
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&f.mode, "mode", "", "how it travels: road, passenger-aircraft, cargo-aircraft, sea or hand-over (needed)")
	flags.StringVar(&f.number, "un", "", "UN number: UN3268 or UN0503")
	flags.Int64Var(&f.grams, "grams", 0, "gross weight of the package in grams")
	flags.StringVar(&f.inComponent, "in-component", "", "inside a completed component, such as a seat: yes or no")
	flags.StringVar(&f.trained, "trained-shipper", "", "who sends it is trained for hazardous goods: yes or no")
	flags.StringVar(&f.tested, "tested", "", "its type passed the test that special provision 160 asks for: yes or no")
	flags.StringVar(&f.recycler, "to-recycler", "", "it goes to a recycling facility: yes or no")
	flags.StringVar(&f.new, "never-installed", "", "it never was in a vehicle: yes or no")
	return cmd
}

func (f *consignmentFlags) request() (*quotev1.JudgeConsignmentRequest, error) {
	number, ok := transport.ReadUN(f.number)
	if !ok {
		return nil, usageError{fmt.Errorf("--un: %q is none that such a part has; expected %s", f.number, transport.ExpectedUN)}
	}
	mode, err := enum("--mode", f.mode, quotev1.JudgeConsignmentRequest_MODE_UNSPECIFIED)
	if err != nil {
		return nil, err
	}
	request := &quotev1.JudgeConsignmentRequest{
		UnNumber: number, Mode: quotev1.JudgeConsignmentRequest_Mode(mode), GrossGrams: f.grams,
	}
	for _, fact := range []struct {
		flag, text string
		into       *fitmentv1.Finding_Answer
	}{
		{"--in-component", f.inComponent, &request.InComponent},
		{"--trained-shipper", f.trained, &request.TrainedShipper},
		{"--tested", f.tested, &request.Tested},
		{"--to-recycler", f.recycler, &request.ToRecycler},
		{"--never-installed", f.new, &request.NeverInstalled},
	} {
		answer, err := enum(fact.flag, fact.text, fitmentv1.Finding_ANSWER_UNSPECIFIED)
		if err != nil {
			return nil, err
		}
		*fact.into = fitmentv1.Finding_Answer(answer)
	}
	return request, nil
}

// rulingWords say what became of it, with a shape each as verdicts have.
var rulingWords = map[fitmentv1.Finding_Answer]string{
	fitmentv1.Finding_YES: "● it may be sent so",
	fitmentv1.Finding_NO:  "✕ it may not be sent so",
}

func showRuling(p *printer, ruling *quotev1.JudgeConsignmentResponse) {
	word, settled := rulingWords[ruling.GetAllowed()]
	if !settled {
		word = "◐ whether it may be sent so is not settled"
	}
	if ruling.GetHandling() {
		word += "; it is to be handled as dangerous goods"
	}
	p.linef("%s", word)
	for _, reason := range ruling.GetReasons() {
		showSourced(p, reason.GetText(), reason.GetSource())
	}
	if len(ruling.GetPapers()) > 0 {
		p.linef("papers and package")
	}
	for _, paper := range ruling.GetPapers() {
		showSourced(p, paper.GetName()+": "+paper.GetValue(), paper.GetSource())
	}
	p.linef("This is no legal advice; a carrier may ask for more.")
}
