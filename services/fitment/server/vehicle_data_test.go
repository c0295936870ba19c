package server_test

import (
	"testing"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

const vehicleHeader = "make,model,year_from,year_to,dialect,wait_minutes,kind,low_ohms,high_ohms,display_limit_ohms,source\n"

func (f *fixture) importVehicleData(t *testing.T, who, file string) (results, error) {
	t.Helper()
	stream, err := f.catalogue.ImportVehicleData(as(t, who))
	return upload(t, stream, err,
		&fitmentv1.ImportVehicleDataRequest{Content: &fitmentv1.ImportVehicleDataRequest_Options{Options: &fitmentv1.ImportOptions{}}},
		&fitmentv1.ImportVehicleDataRequest{Content: &fitmentv1.ImportVehicleDataRequest_Chunk{Chunk: []byte(file)}})
}

// The makes and figures are invented.
func TestVehicleDataIsImportedAndListed(t *testing.T) {
	t.Parallel()
	f := start(t)
	file := vehicleHeader +
		"Tarvena,,,,standard,2,,,,,invented\n" +
		"Tarvena,Lune,2004,2006,legacy-a,1.5,,,,6.3,invented\n" +
		"Tarvena,Lune,2004,2006,,,buckle pretensioner,1.3,4.8,,invented\n" +
		"Tarvena,Lune,2006,2004,standard,,,,,,invented\n"
	got, err := f.importVehicleData(t, admin, file)
	if want := (&fitmentv1.ImportSummary{Rows: 4, Created: 3, Rejected: 1}); err != nil || !proto.Equal(got.sum, want) {
		t.Fatalf("%v, %v, %v", got.sum, got.rows, err)
	}
	if problems := got.rows[3].GetProblems(); len(problems) != 1 || problems[0].GetField() != "year_to" {
		t.Errorf("problems %v", problems)
	}
	got, err = f.importVehicleData(t, admin, file)
	if want := (&fitmentv1.ImportSummary{Rows: 4, Unchanged: 3, Rejected: 1}); err != nil || !proto.Equal(got.sum, want) {
		t.Errorf("a second time: %v, %v", got.sum, err)
	}
	var names []string
	req := &fitmentv1.ListVehicleDataRequest{PageSize: 2}
	for {
		page, err := f.catalogue.ListVehicleData(as(t, shopA), req)
		if err != nil || page.GetRevision() == "" {
			t.Fatalf("%v, %v", page, err)
		}
		for _, data := range page.GetVehicleData() {
			if data.GetMake() != "Tarvena" || data.GetSource() != "invented" {
				t.Errorf("listed %v", data)
			}
			names = append(names, data.GetName())
		}
		if req.PageToken = page.GetNextPageToken(); req.GetPageToken() == "" {
			break
		}
	}
	if len(names) != 3 || names[0] >= names[1] || names[1] >= names[2] {
		t.Errorf("names %v", names)
	}
	_, err = f.catalogue.ListVehicleData(as(t, shopA), &fitmentv1.ListVehicleDataRequest{PageToken: "x"})
	wantReason(t, err, fitmentv1.ErrorInfo_PAGE_TOKEN_INVALID)
	_, err = f.catalogue.ListVehicleData(t.Context(), &fitmentv1.ListVehicleDataRequest{})
	wantReason(t, err, fitmentv1.ErrorInfo_CREDENTIAL_INVALID)
}

func TestOnlyAnAdministratorImportsVehicleData(t *testing.T) {
	t.Parallel()
	f := start(t)
	for _, who := range []string{northYard, shopA, "office books"} {
		_, err := f.importVehicleData(t, who, vehicleHeader)
		wantReason(t, err, fitmentv1.ErrorInfo_PERMISSION_MISSING)
	}
}
