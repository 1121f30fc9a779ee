"""What tests stand on: databases emptied, processes started, sockets shut."""
