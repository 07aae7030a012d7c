"""The model beside published trials and open measurements."""
