"""What every long-lived process of ours needs: daemon and collector alike."""
