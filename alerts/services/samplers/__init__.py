"""What a sampler is asked, shown, and may send or take back."""
