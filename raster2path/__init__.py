"""From a photographed sketch or a customer's picture to lines a hand can follow with a torch."""
