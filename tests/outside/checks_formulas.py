CHECKS = []
