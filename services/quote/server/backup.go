package server

import (
	"context"

	"google.golang.org/grpc"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/backup"
)

// BackupServer serves BackupService.
type BackupServer struct {
	quotev1.UnimplementedBackupServiceServer

	desk *backup.Desk
}

// NewBackup makes the server.
func NewBackup(desk *backup.Desk) *BackupServer { return &BackupServer{desk: desk} }

// BackUp streams an archive of the side, and at the end what it holds.
func (s *BackupServer) BackUp(_ *quotev1.BackUpRequest, stream grpc.ServerStreamingServer[quotev1.BackUpResponse]) error {
	summary, err := s.desk.BackUp(stream.Context(), func(piece []byte) error {
		return stream.Send(&quotev1.BackUpResponse{Content: &quotev1.BackUpResponse_Chunk{Chunk: piece}})
	})
	if err != nil {
		return err
	}
	return stream.Send(&quotev1.BackUpResponse{Content: &quotev1.BackUpResponse_Summary{Summary: &quotev1.BackUpSummary{
		Sha256: summary.SHA256[:], Size: summary.Size, Revision: summary.Revision, Files: summary.Files,
	}}})
}

// Register registers the service.
func (s *BackupServer) Register(r grpc.ServiceRegistrar) {
	quotev1.RegisterBackupServiceServer(r, s)
}

// Names is the full name of the service.
func (*BackupServer) Names() []string {
	return []string{quotev1.BackupService_ServiceDesc.ServiceName}
}

// Ready is nil: whether the store answers is what the side's other services say.
func (*BackupServer) Ready(context.Context) error { return nil }

// Run waits for the end: the service has nothing to do in the background.
func (*BackupServer) Run(ctx context.Context) error {
	<-ctx.Done()
	return nil
}
