package cli

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

func peopleCommand(c *connection) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "people",
		Short: "Add, list and change the people who sign in",
		Long: `People keeps who signs in for a business. A person sits at some of the business's
desks and signs in as PERSON@BUSINESS, by a password or by the identity provider that
the deployment trusts. What is taken away counts for sessions under way within 5
seconds.`,
		Example: "  beltwright people list",
		Args:    noArguments,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(peopleAdd(c), peopleList(c), peopleUpdate(c),
		peopleShut(c, "suspend", "Shut a person out", true), peopleShut(c, "resume", "Let a person in again", false), peoplePassword(c))
	return cmd
}

func peopleAdd(c *connection) *cobra.Command {
	person := &fitmentv1.Person{}
	var secret passwordFlag
	var ask bool
	cmd := &cobra.Command{
		Use: "add ID", Short: "Add a person",
		Long: `Add adds a person, who signs in as ID@BUSINESS. Without a password the person signs in
by the identity provider only, or once "beltwright people password" has set one.`,
		Example: `  beltwright people add jo --name "Jo Ferris" --role yard --ask-password
  beltwright people add sam --name "Sam Ode" --role shop --role books --password-file sam.password`,
		Args: arguments("ID"),
	}
	id := bindRequestID(cmd)
	bindPerson(cmd, person)
	cmd.Flags().StringVar(&person.Business, "business", "", "business that the person works for; yours where you name none")
	cmd.Flags().BoolVar(&ask, "ask-password", false, "ask for the first password")
	secret.bind(cmd, "password-file")
	cmd.Flags().Lookup("password-file").Usage = "`file` with the first password, one line"
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		person.Id = args[0]
		request := &fitmentv1.CreatePersonRequest{Person: person, RequestId: id.text()}
		if ask || secret.file != "" {
			var err error
			if request.Password, err = secret.readNew(cmd); err != nil {
				return err
			}
		}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.CreatePersonResponse, error) {
			return fitmentv1.NewIdentityServiceClient(conn).CreatePerson(ctx, request)
		}, func(p *printer, answer *fitmentv1.CreatePersonResponse) { showPerson(p, answer.GetPerson()) })
	}
	return cmd
}

func bindPerson(cmd *cobra.Command, person *fitmentv1.Person) {
	flags := cmd.Flags()
	flags.StringVar(&person.DisplayName, "name", "", "name as people write it, at most 200 characters")
	flags.StringSliceVar(&person.Roles, "role", nil, "desk that the person may sit at: yard, shop, books or admin (repeatable)")
	flags.StringVar(&person.Issuer, "issuer", "", "address of the identity provider that may vouch for the person")
	flags.StringVar(&person.Subject, "subject", "", "what that provider knows the person as")
}

func showPerson(p *printer, person *fitmentv1.Person) {
	p.linef("%s, %s", person.GetName(), person.GetDisplayName())
	p.linef("signs in as %s@%s, desks %s, %s", person.GetId(), person.GetBusiness(), strings.Join(person.GetRoles(), ", "), waysIn(person))
}

// waysIn says how a person signs in.
func waysIn(person *fitmentv1.Person) string {
	var ways []string
	if person.GetHasPassword() {
		ways = append(ways, "password")
	}
	if person.GetIssuer() != "" {
		ways = append(ways, "provider")
	}
	switch {
	case person.GetSuspended():
		return "shut out"
	case len(ways) == 0:
		return "no way to sign in yet"
	}
	return strings.Join(ways, " or ")
}

func peopleList(c *connection) *cobra.Command {
	var request fitmentv1.ListPeopleRequest
	cmd := &cobra.Command{
		Use: "list", Short: "List people", Long: "List shows the people of your business.",
		Example: "  beltwright people list\n  beltwright people list --business kettlewick",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.ListPeopleResponse, error) {
				return fitmentv1.NewIdentityServiceClient(conn).ListPeople(ctx, &request)
			}, func(p *printer, answer *fitmentv1.ListPeopleResponse) {
				rows := make([][]string, 0, len(answer.GetPeople()))
				for _, person := range answer.GetPeople() {
					rows = append(rows, []string{person.GetName(), person.GetDisplayName(), strings.Join(person.GetRoles(), ","), waysIn(person)})
				}
				p.table([]string{"person", "name", "desks", "signs in by"}, rows)
				if token := answer.GetNextPageToken(); token != "" {
					p.linef("more: --page-token %s", token)
				}
			})
		},
	}
	cmd.Flags().StringVar(&request.Business, "business", "", "business whose people are shown; yours where you name none")
	bindPage(cmd, &request.PageSize, &request.PageToken)
	return cmd
}

// update reads a person, has it changed, and writes it as it was read otherwise.
func (c *connection) update(cmd *cobra.Command, name, requestID string, change func(person *fitmentv1.Person)) error {
	return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.UpdatePersonResponse, error) {
		client := fitmentv1.NewIdentityServiceClient(conn)
		person, err := findPerson(ctx, client, name)
		if err != nil {
			return nil, err
		}
		etag := person.GetEtag()
		person.Etag, person.HasPassword, person.CreateTime = "", false, nil
		change(person)
		return client.UpdatePerson(ctx, &fitmentv1.UpdatePersonRequest{Person: person, Etag: etag, RequestId: requestID})
	}, func(p *printer, answer *fitmentv1.UpdatePersonResponse) { showPerson(p, answer.GetPerson()) })
}

// findPerson looks a person up in the list of the business.
func findPerson(ctx context.Context, client fitmentv1.IdentityServiceClient, name string) (*fitmentv1.Person, error) {
	business, _, _ := strings.Cut(strings.TrimPrefix(name, "people/"), ".")
	request := &fitmentv1.ListPeopleRequest{Business: business, PageSize: 1000}
	for {
		answer, err := client.ListPeople(ctx, request)
		if err != nil {
			return nil, err
		}
		for _, person := range answer.GetPeople() {
			if person.GetName() == name {
				return person, nil
			}
		}
		if request.PageToken = answer.GetNextPageToken(); answer.GetNextPageToken() == "" {
			return nil, fmt.Errorf("there is no person %s; expected a name such as people/kettlewick.jo", name)
		}
	}
}

func peopleUpdate(c *connection) *cobra.Command {
	given := &fitmentv1.Person{}
	cmd := &cobra.Command{
		Use: "update PERSON", Short: "Change a person",
		Long:    "Update changes what you give and leaves the rest. A desk that is taken away counts for sessions under way within 5 seconds.",
		Example: "  beltwright people update people/kettlewick.jo --role yard --role admin",
		Args:    arguments("PERSON"),
	}
	id := bindRequestID(cmd)
	bindPerson(cmd, given)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		return c.update(cmd, args[0], id.text(), func(person *fitmentv1.Person) {
			flags := cmd.Flags()
			if flags.Changed("name") {
				person.DisplayName = given.GetDisplayName()
			}
			if flags.Changed("role") {
				person.Roles = given.GetRoles()
			}
			if flags.Changed("issuer") {
				person.Issuer = given.GetIssuer()
			}
			if flags.Changed("subject") {
				person.Subject = given.GetSubject()
			}
		})
	}
	return cmd
}

func peopleShut(c *connection, use, short string, suspended bool) *cobra.Command {
	long := "Resume lets a person sign in again, who has to do so: sessions from before stay ended."
	if suspended {
		long = `Suspend shuts a person out: all sessions end within 5 seconds, and no new one begins.
Keys are nobody's in person and go on. Where nobody is left who may let the person in
again, the operator may.`
	}
	cmd := &cobra.Command{
		Use: use + " PERSON", Short: short, Long: long,
		Example: "  beltwright people " + use + " people/kettlewick.jo",
		Args:    arguments("PERSON"),
	}
	id := bindRequestID(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		return c.update(cmd, args[0], id.text(), func(person *fitmentv1.Person) { person.Suspended = suspended })
	}
	return cmd
}

func peoplePassword(c *connection) *cobra.Command {
	var secret, old passwordFlag
	var none bool
	cmd := &cobra.Command{
		Use: "password [PERSON]", Short: "Set a password",
		Long: `Password sets the password of a person of your business and ends all of that person's
sessions. Without PERSON it changes your own: you are asked for the old one too, and
your other sessions end. With --none the person has no password any more. A password
has 12 bytes or more, which are 12 plain letters, and 8 characters in any script; there
are no rules about kinds of characters, but what is guessed first is refused.`,
		Example: "  beltwright people password people/kettlewick.jo\n  beltwright people password",
		Args:    atMostOne("PERSON"),
	}
	id := bindRequestID(cmd)
	cmd.Flags().BoolVar(&none, "none", false, "take the password away")
	secret.bind(cmd, "password-file")
	old.bind(cmd, "old-password-file")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if len(args) == 0 {
			return changeOwn(c, cmd, &old, &secret, id.text())
		}
		request := &fitmentv1.SetPasswordRequest{Name: args[0], RequestId: id.text()}
		if !none {
			var err error
			if request.Password, err = secret.readNew(cmd); err != nil {
				return err
			}
		}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.SetPasswordResponse, error) {
			return fitmentv1.NewIdentityServiceClient(conn).SetPassword(ctx, request)
		}, func(p *printer, answer *fitmentv1.SetPasswordResponse) { showPerson(p, answer.GetPerson()) })
	}
	return cmd
}

func changeOwn(c *connection, cmd *cobra.Command, old, fresh *passwordFlag, requestID string) error {
	request := &fitmentv1.ChangePasswordRequest{RequestId: requestID}
	var err error
	if request.OldPassword, err = old.read(cmd, "Old password: "); err != nil {
		return err
	}
	if request.NewPassword, err = fresh.readNew(cmd); err != nil {
		return err
	}
	return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.ChangePasswordResponse, error) {
		return fitmentv1.NewIdentityServiceClient(conn).ChangePassword(ctx, request)
	}, func(p *printer, _ *fitmentv1.ChangePasswordResponse) {
		p.linef("your password is changed; your other sessions end")
	})
}

func sessionsCommand(c *connection) *cobra.Command {
	cmd := &cobra.Command{
		Use:     "sessions",
		Short:   "List and end the sessions of people who signed in",
		Long:    "Sessions shows who has signed in, those whose session has ended included for 30 days, and ends sessions.",
		Example: "  beltwright sessions list",
		Args:    noArguments,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(sessionsList(c), sessionsEnd(c))
	return cmd
}

func sessionsList(c *connection) *cobra.Command {
	var request fitmentv1.ListSessionsRequest
	cmd := &cobra.Command{
		Use: "list", Short: "List sessions", Long: "List shows the sessions of your business.",
		Example: "  beltwright sessions list",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.ListSessionsResponse, error) {
				return fitmentv1.NewIdentityServiceClient(conn).ListSessions(ctx, &request)
			}, func(p *printer, answer *fitmentv1.ListSessionsResponse) {
				rows := make([][]string, 0, len(answer.GetSessions()))
				for _, session := range answer.GetSessions() {
					end := "ends " + localTime(session.GetExpireTime().AsTime())
					if session.GetEndTime() != nil {
						end = "ended " + localTime(session.GetEndTime().AsTime())
					}
					rows = append(rows, []string{session.GetName(), session.GetPerson(), strings.ToLower(session.GetMethod()), localTime(session.GetCreateTime().AsTime()), end})
				}
				p.table([]string{"session", "person", "by", "since", "end"}, rows)
				if token := answer.GetNextPageToken(); token != "" {
					p.linef("more: --page-token %s", token)
				}
			})
		},
	}
	cmd.Flags().StringVar(&request.Business, "business", "", "business whose sessions are shown; yours where you name none")
	bindPage(cmd, &request.PageSize, &request.PageToken)
	return cmd
}

func sessionsEnd(c *connection) *cobra.Command {
	cmd := &cobra.Command{
		Use: "end SESSION", Short: "End a session", Long: "End ends a session: within 5 seconds nothing accepts it any more.",
		Example: "  beltwright sessions end sessions/kettlewick.abcdefghij23",
		Args:    arguments("SESSION"),
	}
	id := bindRequestID(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		request := &fitmentv1.EndSessionRequest{Name: args[0], RequestId: id.text()}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.EndSessionResponse, error) {
			return fitmentv1.NewIdentityServiceClient(conn).EndSession(ctx, request)
		}, func(p *printer, answer *fitmentv1.EndSessionResponse) {
			p.linef("%s of %s has ended", answer.GetSession().GetName(), answer.GetSession().GetPerson())
		})
	}
	return cmd
}
